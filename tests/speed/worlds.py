"""Invented makes with model numbers of their own shape, and ways of misreading them.

A make is drawn from its seed alone, so makes used to fit and makes used to measure never meet.
Nothing here is taken from a real catalogue.
"""

import random
import re
import string
from collections.abc import Callable, Sequence

from donors.domain.model_numbers import CONFUSABLE_CLASSES, canonical

LETTERS, DIGITS = string.ascii_uppercase, string.digits
CLASS_OF = {c: group for group in CONFUSABLE_CLASSES for c in group}
ENDINGS = ["", "W", "S", "K", "/1", "/2", "-EU", "-UK", "/A", "-B2", " WH", "/01", "X"]


def make_numbers(seed: int, count: int) -> list[str]:
    """Return distinct model numbers of one invented make, separators included."""
    rng = random.Random(f"make {seed}")
    shape = _shape(rng)
    families = [
        "".join(rng.choices(LETTERS, k=rng.randint(1, 3))) for _ in range(rng.randint(3, 30))
    ]
    endings = rng.sample(ENDINGS, rng.randint(2, 7))
    found: dict[str, str] = {}
    for _ in range(count * 20):
        base = rng.choice(families) + "".join(_field(rng, kind, size) for kind, size in shape)
        for ending in rng.sample(endings, rng.choice([1, 1, 2])):
            found.setdefault(canonical(base + ending), base + ending)
        if len(found) >= count:
            break
    return list(found.values())[:count]


def _shape(rng: random.Random) -> list[tuple[str, int]]:
    shape = [
        (rng.choice(["letter", "digit", "digit", "digit", "either", "gap"]), rng.randint(1, 3))
        for _ in range(rng.randint(2, 5))
    ]
    while sum(size for kind, size in shape if kind != "gap") < 6:
        shape.append(("digit", rng.randint(2, 3)))
    return shape


def _field(rng: random.Random, kind: str, size: int) -> str:
    if kind == "gap":
        return "-" if size == 1 else " "
    chars = {"letter": LETTERS, "digit": DIGITS, "either": LETTERS + DIGITS}[kind]
    return "".join(rng.choices(chars, k=size))


def dense_numbers(seed: int, count: int) -> list[str]:
    """Return model names of a make that counts upwards: a word, a short number, a letter or two.

    Many stand one edit apart, as the names of small machines do.
    """
    rng = random.Random(f"dense {seed}")
    words = ["".join(rng.choices(LETTERS, k=rng.randint(1, 6))) for _ in range(rng.randint(1, 5))]
    step, size = rng.choice([1, 1, 5, 10]), rng.randint(1, 3)
    tails = ["", "", *rng.sample(["S", "X", " II", " III", "-T", "D", " Pro", "F"], 4)]
    found: dict[str, str] = {}
    for _ in range(count * 4):
        number = str(step * rng.randrange(1, 10**size))
        name = f"{rng.choice(words)}{rng.choice([' ', '-', ''])}{number}{rng.choice(tails)}"
        found.setdefault(canonical(name), name)
    return list(found.values())[:count]


def catalogue(seeds: range, count: int) -> list[tuple[int, str]]:
    """Return (make, number) of several makes, about `count` in all, none twice over all makes."""
    found: dict[str, tuple[int, str]] = {}
    each = -(-count // len(seeds))
    for seed in seeds:
        for number in make_numbers(seed, each):
            found.setdefault(canonical(number), (seed, number))
    return list(found.values())


def misread(number: str, rng: random.Random) -> str:
    """Return the number with one character replaced by another of its class."""
    places = [i for i, c in enumerate(number) if c in CLASS_OF]
    if not places:
        return edited(number, rng)
    i = rng.choice(places)
    wrong = rng.choice(CLASS_OF[number[i]].replace(number[i], ""))
    return number[:i] + wrong + number[i + 1 :]


def substituted(number: str, rng: random.Random) -> str:
    i = rng.randrange(len(number))
    return number[:i] + rng.choice((LETTERS + DIGITS).replace(number[i], "")) + number[i + 1 :]


def inserted(number: str, rng: random.Random) -> str:
    i = rng.randint(0, len(number))
    return number[:i] + rng.choice(LETTERS + DIGITS) + number[i:]


def deleted(number: str, rng: random.Random) -> str:
    i = rng.randrange(len(number))
    return number[:i] + number[i + 1 :]


def swapped(number: str, rng: random.Random) -> str:
    places = [i for i in range(len(number) - 1) if number[i] != number[i + 1]]
    if not places:
        return number
    i = rng.choice(places)
    return number[:i] + number[i + 1] + number[i] + number[i + 2 :]


def edited(number: str, rng: random.Random) -> str:
    return rng.choice([substituted, inserted, deleted, swapped])(number, rng)


def bare(number: str, rng: random.Random) -> str:
    return canonical(number)


def spaced(number: str, rng: random.Random) -> str:
    """Return the number in lower case with other separators."""
    plain = canonical(number)
    i = rng.randrange(1, max(2, len(plain)))
    return (plain[:i] + rng.choice(" -./_") + plain[i:]).lower()


def suffix_at(number: str) -> int | None:
    """Return where the suffix of a printed number begins: behind its last separator, else the
    letters behind its last digit. None when it has none, or nearly nothing stands before."""
    found = re.search(r"[/\- ]+[A-Za-z0-9]+$|(?<=[0-9])[A-Za-z]+$", number)
    return found.start() if found and len(canonical(number[: found.start()])) >= 4 else None


def cut_short(number: str, rng: random.Random) -> str:
    """Return the number without its suffix; without one or two characters when it has none."""
    at = suffix_at(number)
    return number[:at] if at else number[: -rng.randint(1, 2)]


def last_two_lost(number: str, rng: random.Random) -> str:
    return canonical(number)[:-2]


def headless(number: str, rng: random.Random) -> str:
    return canonical(number)[2:]


def _both(*steps: Callable[[str, random.Random], str]) -> Callable[[str, random.Random], str]:
    def done(number: str, rng: random.Random) -> str:
        for step in steps:
            number = step(number, rng)
        return number

    return done


Noise = Callable[[str, random.Random], str]
CLASSES: dict[str, Noise] = {
    "as printed": lambda number, rng: number,
    "no separators": bare,
    "other separators": spaced,
    "confusable": misread,
    "substitution": substituted,
    "insertion": inserted,
    "deletion": deleted,
    "transposition": swapped,
    "two edits": _both(edited, edited),
    "no suffix": cut_short,
    "two confusables": _both(misread, misread),
    "no separators, confusable": _both(bare, misread),
    "confusable, one edit": _both(misread, edited),
    "no suffix, confusable": _both(cut_short, misread),
    "no suffix, one edit": _both(cut_short, edited),
    "no separators, two edits": _both(bare, edited, edited),
}
# Outside the model of noise the index is built for; reported apart.
OUTSIDE: dict[str, Noise] = {
    "last two lost": last_two_lost,
    "first two lost": headless,
    "first two lost, confusable": _both(headless, misread),
    "three edits": _both(edited, edited, edited),
}


def askable(noise: str, numbers: Sequence[str]) -> Sequence[int]:
    """Return which numbers a class of noise can be asked of: without a suffix, none is lost."""
    if not noise.startswith("no suffix"):
        return range(len(numbers))
    return [i for i, number in enumerate(numbers) if suffix_at(number)]
