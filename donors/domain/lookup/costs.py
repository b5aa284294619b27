"""What it costs to read one number as another: a noisy channel, in nats (-ln probability).

A cost is what the misreading takes from the chance that this is the machine meant: a character
can be lost in as many ways as there are characters, but replaced in 35 times as many, so a
lost one tells more for a number than a replaced one. Costs only rank; the probability that is
shown is fitted on them (calibration.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from rapidfuzz.distance import OSA, Levenshtein
from rapidfuzz.process import cdist

from donors.domain.lookup.index import FOLDED_BYTES
from donors.domain.model_numbers import FOLD, WILDCARDS

CONFUSED = 2.2  # within a class of the folding: 0 O D Q, 1 I L, ...
ALIKE = 4.0  # a pair of the wider list of misreadings
SWAPPED = 3.6
LOST = 3.8  # a character of the number was not read
ADDED = 6.0
REPLACED = 6.0
TAIL, TAIL_EACH = 2.6, 0.35  # the end of the number was not read
HEAD, HEAD_EACH = 3.6, 0.5
AT_BREAK = 1.4  # less where what was not read begins or ends at a printed separator
MORE, MORE_EACH = 3.2, 1.4  # something was read behind (or before) the number
FAR_BEHIND = 16.0  # behind the best by more than any confusions that could matter
FILLED = 0.3  # each open position that the query fills

# Pairs misread for one another beyond the folding: wider lists of plate readers and of human
# readers, and of handwriting (shared check values, section 4.4).
_PAIRS = (
    "PB 38 PR A4 KX FE B6 Q9 VW XY VU 68 53 58 08 39 49 CG IJ LT 1T I7 L7 IT 17 UY VY 06 DO EF"
    " 8S GC UV MN HN 27 Z7"
)
ALIKE_PAIRS = frozenset(
    pair for text in _PAIRS.split() for pair in ((text[0], text[1]), (text[1], text[0]))
)


@dataclass(frozen=True)
class Compared:
    """Costs of reading each candidate as the query, and the ways they were reached.

    Shape: one entry a candidate. way: WHOLE, BEGINS (the number goes on), ENDS (the number
    begins earlier) or WITHIN (the query says more). edits: on the folded form along that way.
    """

    cost: np.ndarray
    way: np.ndarray
    edits: np.ndarray


WHOLE, BEGINS, ENDS, WITHIN = range(4)


def folded_all(numbers: Sequence[str]) -> list[str]:
    """Return the folded forms of canonical numbers, in one pass."""
    joined = "\n".join(numbers)
    if joined.isascii():
        return joined.encode().translate(FOLDED_BYTES).decode().split("\n")
    return joined.translate(FOLD).split("\n")


def compare(query: str, numbers: list[str]) -> Compared:
    """Return what it costs to read each canonical number as the canonical query."""
    size = len(query)
    folded, plain = query.translate(FOLD), folded_all(numbers)
    longer = np.array([len(number) - size for number in numbers], dtype=np.int64)
    cost, edits = _whole(query, folded, numbers, plain, longer)
    way = np.zeros(len(numbers), dtype=np.int8)
    further = np.flatnonzero((longer > 0) & (cost > TAIL))
    if size >= 3 and len(further):
        cut = [numbers[i][:size] for i in further]
        short = [plain[i][:size] for i in further]
        _improve(BEGINS, further, query, folded, cut, short, longer, (cost, edits, way))
        few = np.array([i for i in further if longer[i] <= 6 or plain[i].endswith(folded)], int)
        if size >= 4 and len(few):
            cut = [numbers[i][-size:] for i in few]
            short = [plain[i][-size:] for i in few]
            _improve(ENDS, few, query, folded, cut, short, longer, (cost, edits, way))
    for i in np.flatnonzero((longer < 0) & (cost > MORE)).tolist():
        number, less = numbers[i], len(numbers[i])
        if less >= 4 and (folded.startswith(plain[i]) or folded.endswith(plain[i])):
            part = query[:less] if folded.startswith(plain[i]) else query[-less:]
            misread = sum(a != b for a, b in zip(part, number, strict=True))
            price = MORE + MORE_EACH * (size - less) + CONFUSED * misread
            if price < cost[i]:
                cost[i], way[i], edits[i] = price, WITHIN, 0
    return Compared(cost, way, edits)


def _whole(
    query: str, folded: str, numbers: list[str], plain: list[str], longer: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    osa = cdist([folded], plain, scorer=OSA.distance, dtype=np.int32)[0]
    levenshtein = cdist([folded], plain, scorer=Levenshtein.distance, dtype=np.int32)[0]
    swapped = levenshtein - osa
    lost, added = np.maximum(longer, 0), np.maximum(-longer, 0)
    replaced = np.maximum(osa - swapped - lost - added, 0)
    cost = SWAPPED * swapped + LOST * lost + ADDED * added + REPLACED * replaced
    # What is far even with all confusions forgiven stays far: only the others are looked at.
    near = np.flatnonzero(cost <= cost.min(initial=np.inf) + FAR_BEHIND)
    raw = cdist([query], [numbers[i] for i in near], scorer=OSA.distance, dtype=np.int32)[0]
    cost[near] += CONFUSED * np.maximum(raw - osa[near], 0)
    # Two replaced beside a length that agrees may as well be one lost and one added.
    return cost, osa.astype(np.int64)


def _improve(
    way: int,
    chosen: np.ndarray,
    query: str,
    folded: str,
    numbers: list[str],
    plain: list[str],
    longer: np.ndarray,
    held: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> None:
    """Take the cost along another way where it is less."""
    cost, edits, ways = held
    part, osa = _whole(query, folded, numbers, plain, np.zeros(len(chosen), dtype=np.int64))
    base, each = (TAIL, TAIL_EACH) if way == BEGINS else (HEAD, HEAD_EACH)
    part = part + base + each * longer[chosen]
    better = part < cost[chosen]
    cost[chosen[better]] = part[better]
    edits[chosen[better]] = osa[better]
    ways[chosen[better]] = way


def alike_discount(query: str, number: str) -> float:
    """Return how much less a number of the query's length costs because pairs look alike."""
    off = [(q, k) for q, k in zip(query, number, strict=True) if q != k]
    if len(off) > 5:
        return 0.0
    return sum(REPLACED - ALIKE for pair in off if pair in ALIKE_PAIRS and not _merged(*pair))


def break_discount(printed: str, size: int, way: int) -> float:
    """Return how much less it costs that only `size` characters of a printed number were read
    from its beginning (or, with way ENDS, its end): people leave off what stands apart."""
    text = printed if way == BEGINS else printed[::-1]
    seen = 0
    for at, char in enumerate(text):
        seen += char.isalnum() or char in WILDCARDS
        if seen == size:
            apart = at + 1 < len(text) and not (text[at + 1].isalnum() or text[at + 1] in WILDCARDS)
            return AT_BREAK if apart else 0.0
    return 0.0


def _merged(a: str, b: str) -> bool:
    return a.translate(FOLD) == b.translate(FOLD)


def fills_for(query: str, number: str) -> list[str]:
    """Return a number with its open positions filled from the query.

    Read from either end, and with the neighbours' characters: a swap may have moved the one
    that stood in an open position.
    """
    if not any(mark in number for mark in WILDCARDS):
        return [number]
    more = len(query) - len(number)
    found = []
    for shift in dict.fromkeys((0, more, 1, -1)):
        at = [i + shift for i in range(len(number))]
        found.append(
            "".join(
                query[at[i]] if c in WILDCARDS and 0 <= at[i] < len(query) else c
                for i, c in enumerate(number)
            )
        )
    return list(dict.fromkeys(found))
