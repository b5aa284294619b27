"""Propose a pattern for a make from its known numbers, for a reviewer to accept.

The numbers are laid under one another by their commonest shape (runs of letters and digits).
Each run becomes a field: one that is the same in all is written out; of the others, the one
that parts the numbers into families is named so, and those behind it by what they look like.
The proposal says how many of the numbers it explains and which it leaves.
"""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from donors.domain import patterns
from donors.domain.model_numbers import WILDCARDS

LEAST_NUMBERS = 8
MOST_LISTED = 6  # different values of a run that are written out as alternatives
LEAST_SHARE = 0.02  # of the numbers, below which a shape is taken for an exception
MOST_TAILS = 3
SHOWN = 8
FAN_OUT = 2.5  # times as many beginnings by one more character: behind the family's code


@dataclass(frozen=True, slots=True)
class Position:
    """One run of characters: what kind, from which to which length, and what stands there.

    kind: "fixed", "letters", "digits" or "mixed". values: how many different;
    examples: the commonest. field: the name it is given, "" for a fixed run.
    """

    kind: str
    least: int
    most: int
    values: int
    examples: tuple[str, ...]
    field: str


@dataclass(frozen=True, slots=True)
class Proposal:
    """A pattern, what it rests on, and what it does not explain. pattern "" when none is found;
    `because` says why in a sentence."""

    pattern: str
    positions: tuple[Position, ...]
    explained: int
    numbers: int
    unexplained: tuple[str, ...]
    because: str


def propose(numbers: Iterable[str]) -> Proposal:
    """Return a pattern for canonical numbers of one make. Those with open positions are left."""
    known = sorted({n for n in numbers if n and not any(c in WILDCARDS for c in n)})
    if len(known) < LEAST_NUMBERS:
        return _none(known, f"{len(known)} numbers are too few; {LEAST_NUMBERS} are needed.")
    by_shape: dict[str, list[list[str]]] = {}
    for number in known:
        by_shape.setdefault(_shape(number), []).append(_split(number))
    shape, tail_from = _backbone(by_shape, len(known))
    columns = _columns(by_shape, shape)
    parts_at = _family_ends(known)
    columns, tail_from, joined = _joined(columns, tail_from, parts_at)
    if len(columns) < 2:
        return _none(known, "The numbers have no runs of letters and digits in common.")
    fields = _names(columns, tail_from, joined=joined)
    pattern, positions = _written(columns, fields, tail_from)
    if len(pattern) > patterns.LONGEST_PATTERN:
        return _none(known, "A pattern that explains them would be too long to store.")
    compiled = patterns.compile_pattern(pattern)
    left = [number for number in known if compiled.fullmatch(number) is None]
    explained = len(known) - len(left)
    because = (
        "The names of the fields are guesses from their places; look at them before you accept it."
    )
    return Proposal(pattern, positions, explained, len(known), tuple(left[:SHOWN]), because)


def _none(known: Sequence[str], because: str) -> Proposal:
    return Proposal("", (), 0, len(known), tuple(known[:SHOWN]), because)


def _split(number: str) -> list[str]:
    return ["".join(run) for _, run in groupby(number, key=str.isdigit)]


def _shape(number: str) -> str:
    return "".join("9" if run[0].isdigit() else "A" for run in _split(number))


def _backbone(by_shape: dict[str, list[list[str]]], count: int) -> tuple[str, int]:
    """Return the longest common shape that extends the commonest one, and where its tail begins.

    A shape that merely goes on where another ends makes the rest of it optional.
    """
    usual = {shape for shape, rows in by_shape.items() if len(rows) >= LEAST_SHARE * count}
    commonest = max(by_shape, key=lambda shape: (len(by_shape[shape]), -len(shape)))
    chain = [s for s in usual if s.startswith(commonest) or commonest.startswith(s)]
    longest = max(chain, key=lambda s: (len(s) <= len(commonest) + MOST_TAILS, len(s)))
    return longest, min(len(s) for s in chain)


def _columns(by_shape: dict[str, list[list[str]]], shape: str) -> list[list[str]]:
    columns: list[list[str]] = [[] for _ in shape]
    for other, rows in by_shape.items():
        if shape.startswith(other):
            for row in rows:
                for column, run in zip(columns, row, strict=False):
                    column.append(run)
    return columns


def _family_ends(known: Sequence[str]) -> int:
    """Return after how many characters numbers of one family part, 0 when it cannot be seen.

    Inside a family's code each character adds few new beginnings; behind it the numbers fan
    out. The place is the first where the different beginnings become several times as many,
    while each beginning still stands for several numbers.
    """
    counts = [len({number[:size] for number in known}) for size in range(10)]
    for size in range(1, 9):
        if 2 <= counts[size] <= len(known) / 6 and counts[size + 1] >= FAN_OUT * counts[size]:
            return size
    return 0


def _joined(
    columns: list[list[str]], tail_from: int, parts_at: int
) -> tuple[list[list[str]], int, bool]:
    """Join the runs that make the family's code into one column, cutting the run it ends in.

    Left as they are when a run before that place differs in length from number to number.
    """
    size = 0
    for i, column in enumerate(columns[:tail_from]):
        lengths = {len(run) for run in column}
        if not parts_at or (len(lengths) > 1 and size + min(lengths) < parts_at):
            break
        if size + min(lengths) >= parts_at:
            cut = parts_at - size
            count = len(column)
            rows = ["".join(c[n] for c in columns[:i]) + column[n][:cut] for n in range(count)]
            rest = [run[cut:] for run in column]
            if not all(rest) and any(rest):
                break
            behind = [rest] if all(rest) else []
            return (
                [rows, *behind, *columns[i + 1 :]],
                tail_from - i + (1 if behind else 0),
                True,
            )
        size += min(lengths)
    return columns, tail_from, False


def _names(columns: Sequence[Sequence[str]], tail_from: int, *, joined: bool) -> list[str]:
    """Name the runs. The family is where the numbers part into the fewest big groups: the first
    run of letters with several values, each of them common; else the first run that varies."""
    values = [Counter(column) for column in columns]
    varying = [i for i, found in enumerate(values) if len(found) > 1]
    lettered = [i for i in varying if not columns[i][0][0].isdigit() and i < tail_from]
    family = 0 if joined else (lettered or varying or [0])[0]
    names = [""] * len(columns)
    names[family] = "family"
    before = [i for i in varying if i < family]
    behind = [i for i in varying if family < i]
    for i, name in zip(before, ["series"], strict=False):
        names[i] = name
    digits = [i for i in behind if columns[i][0][0].isdigit()]
    letters = [i for i in behind if i not in digits]
    free = [name for name in ("size", "series", "revision") if name not in names]
    for i, name in zip(digits, free, strict=False):
        names[i] = name
    for i, name in zip(
        reversed(letters), ["colour" if len(letters) == 1 else "market", "colour"], strict=False
    ):
        names[i] = name
    return names


def _written(
    columns: Sequence[Sequence[str]], names: Sequence[str], tail_from: int
) -> tuple[str, tuple[Position, ...]]:
    parts, positions = [], []
    for i, (column, name) in enumerate(zip(columns, names, strict=True)):
        values = Counter(column)
        sizes = [len(value) for value in values]
        fixed = len(values) == 1
        kind = "fixed" if fixed else _kind(values)
        common = tuple(value for value, _ in values.most_common(MOST_LISTED))
        positions.append(
            Position(kind, min(sizes), max(sizes), len(values), common, "" if fixed else name)
        )
        body = re.escape(column[0]) if fixed else _body(kind, values, sizes)
        named = f"(?P<{name}>{body})" if name and not fixed else body
        if not any(names) and i == 0:
            named = f"(?P<family>{body})"
        parts.append(f"(?:{named}" if i >= tail_from else named)
    opened = sum(1 for i in range(len(columns)) if i >= tail_from)
    return "^" + "".join(parts) + ")?" * opened + "$", tuple(positions)


def _kind(values: Iterable[str]) -> str:
    if all(value.isdigit() for value in values):
        return "digits"
    return "mixed" if any(c.isdigit() for value in values for c in value) else "letters"


def _body(kind: str, values: Counter[str], sizes: Sequence[int]) -> str:
    listed = len(values) <= MOST_LISTED and kind == "letters" and max(sizes) > 1
    if listed and sum(values.values()) >= 4 * len(values):
        return "|".join(sorted(map(re.escape, values), key=lambda value: (-len(value), value)))
    if kind == "mixed":
        return _by_place(list(values))
    one = r"\d" if kind == "digits" else r"\pL"
    if kind == "letters" and all(value.isascii() for value in values):
        one = "[A-Z]"
    least, most = min(sizes), max(sizes)
    if least == most:
        return one if most == 1 else f"{one}{{{most}}}"
    return f"{one}{{{least},{most}}}"


def _by_place(values: Sequence[str]) -> str:
    """Return the body of a code of fixed length: what stands at each of its places."""
    places = []
    for chars in zip(*values, strict=True):
        found = set(chars)
        if len(found) == 1:
            places.append(re.escape(chars[0]))
        elif all(c.isdigit() for c in found):
            places.append(r"\d")
        elif all(c.isascii() and c.isalpha() for c in found):
            places.append("[A-Z]")
        else:
            places.append(r"[A-Z\d]" if all(c.isascii() for c in found) else r"[\pL\d]")
    return "".join(places)
