"""Where in a pasted text model numbers may stand: runs of neighbouring words."""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice

from donors.domain.model_numbers import LONGEST, canonical

MOST_TEXT = 20_000  # characters; what comes behind is not read
MOST_WORDS = 400  # that could be part of a number
LONGEST_RUN = 5  # words printed apart that make one number
LEAST = 4  # characters of a number
LONGEST_NAME = 4  # words of a make's name
MOST_NAMING = 40  # words of a text that are looked at for names
# What plates print before a number, or people write beside it (common practice).
PLATE_WORDS = frozenset(
    {"MODEL", "MODELL", "MOD", "TYPE", "TYP", "SERIES", "NO", "NR", "NUMBER", "ENR", "PNC"}
    | {"PRODUCT", "CODE", "ITEM", "ART", "REF"}
)
_WORD = re.compile(r"[^\s,;:!?()\[\]{}<>\"'=|]+")


@dataclass(frozen=True, slots=True)
class Run:
    """Neighbouring words of a text: where they stand, and their canonical form."""

    start: int
    end: int
    number: str
    words: int


def runs(text: str) -> Iterator[Run]:
    """Yield runs of up to LONGEST_RUN words that could be a model number, longest first a place.

    A run holds a digit, begins and ends with a word that could be a piece of a number (not with
    a plate word), and stays within one line. A long text is read as far as MOST_TEXT and
    MOST_WORDS.
    """
    words: list[tuple[int, int, str, int]] = []
    line = 0
    last = 0
    for found in _WORD.finditer(text[:MOST_TEXT]):
        line += text.count("\n", last, found.start())
        last = found.start()
        form = canonical(found.group().strip(".-_/"))
        words.append((found.start(), found.end(), form, line))
        if len(words) >= MOST_WORDS:
            break
    for i, (start, _, first, line) in enumerate(words):
        if not first or first in PLATE_WORDS:
            continue
        for j in range(min(len(words), i + LONGEST_RUN) - 1, i - 1, -1):
            here = words[i : j + 1]
            number = "".join(word[2] for word in here)
            if words[j][3] != line or len(number) > LONGEST:
                continue
            if not words[j][2] or words[j][2] in PLATE_WORDS:
                continue
            if len(number) >= LEAST and any(c.isdigit() for c in number):
                yield Run(start, words[j][1], number, j - i + 1)


def words(text: str) -> "list[re.Match[str]]":
    """Return the words of a text with their places, as far as MOST_TEXT and MOST_WORDS."""
    return list(islice(_WORD.finditer(text[:MOST_TEXT]), MOST_WORDS))


def looks_like_number(run: Run) -> bool:
    """Whether a run that no exact key explains is worth a search: one word, or two, of letters
    and digits (or long enough), as plates print them."""
    digits = sum(c.isdigit() for c in run.number)
    if run.words > 2 or len(run.number) < LEAST + 1:
        return False
    return digits >= 2 and (digits < len(run.number) or digits >= 6)


def has_words(text: str) -> bool:
    return len(text.split(maxsplit=1)) > 1


def without(text: str, is_name: Callable[[str], bool]) -> tuple[str, list[str]]:
    """Return the text without names of makes and plate words, and the names in their order.

    is_name: whether a canonical run of words is a make's name. Of a long text only the first
    MOST_NAMING words are looked at.
    """
    words = _WORD.findall(text[:MOST_TEXT])[:MOST_NAMING]
    forms = [canonical(word) for word in words]
    left: list[str] = []
    names: list[str] = []
    at = 0
    while at < len(words):
        size = _name_at(forms, at, is_name)
        if size:
            names.append("".join(forms[at : at + size]))
        elif forms[at] not in PLATE_WORDS:
            left.append(words[at])
        at += size or 1
    return " ".join(left), names


def _name_at(forms: list[str], at: int, is_name: Callable[[str], bool]) -> int:
    """Return how many words from `at` are a make's name, the longest; 0 when none is."""
    for size in range(min(LONGEST_NAME, len(forms) - at), 0, -1):
        if is_name("".join(forms[at : at + size])):
            return size
    return 0
