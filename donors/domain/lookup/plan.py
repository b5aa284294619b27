"""Which keys to ask for a query of some length: pieces of the numbers it may have come from.

A key names two pieces of a number of length L. For a query of length m each L near m is tried,
with the pieces shifted as insertions and deletions before and between them would shift them.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from donors.domain.lookup import codes

MOST_EDITS = 2
LONGEST_TAIL = 6  # characters lost at the end, beyond which only the order by beginning finds
LONGEST_HEAD = 4
LEAST_WITHIN = 5  # characters of a number that a longer text may hold


@dataclass(frozen=True)
class Plan:
    """Keys of a query: two runs of it, [a, b) and [c, d), as pieces of a number of `length`."""

    a: np.ndarray
    b: np.ndarray
    c: np.ndarray
    d: np.ndarray
    kind: np.ndarray
    length: np.ndarray
    near: np.ndarray  # True where at most two edits lead there; else a tail or head is lost


@lru_cache(maxsize=128)
def plan(size: int, edits: int = MOST_EDITS) -> Plan:
    """Return the keys worth asking for a query of `size` characters."""
    found: dict[tuple[int, ...], bool] = {}
    for length in range(max(codes.PIECES, size - LONGEST_TAIL), size + LONGEST_TAIL + 1):
        cut = codes.cuts(length)
        for kind, (one, two) in enumerate(codes.PAIRS):
            for first in range(-LONGEST_TAIL - 1, LONGEST_TAIL + 2):
                for second in range(first - 2, first + 3):
                    likely = _likely(size - length, first, second, edits)
                    if likely is None or (edits < MOST_EDITS and not likely):
                        continue
                    left = (cut[one] + first, cut[one + 1] + first)
                    right = (cut[two] + second, cut[two + 1] + second)
                    if left[0] < 0 or right[1] > size or left[1] > right[0]:
                        continue
                    key = (*left, *right, kind, length)
                    found[key] = found.get(key, False) or likely
    table = np.array([[*key, near] for key, near in found.items()], dtype=np.int64)
    table = table.reshape(-1, 7)
    a, b, c, d, kinds, lengths, near = table.T
    return Plan(a, b, c, d, kinds, lengths, near.astype(bool))


def _likely(more: int, first: int, second: int, edits: int) -> bool | None:
    """Return True for at most `edits` edits, False for one edit and a lost end, None otherwise.

    more: by how much the query is longer than the number. first, second: by how much the two
    pieces stand further right in the query.
    """
    between = abs(second - first)
    if abs(first) + between + abs(more - second) <= edits:
        return True
    least = 1 if -4 <= more <= 0 else 0
    tail = -LONGEST_TAIL <= more <= LONGEST_TAIL and abs(first) + between <= least
    head = -LONGEST_HEAD <= more <= LONGEST_HEAD and between + abs(more - second) <= least
    return False if tail or head else None


def ask(
    hashes: np.ndarray, size: int, bits: int, *, edits: int = MOST_EDITS
) -> tuple[np.ndarray, np.ndarray]:
    """Return the bucket of every key, and which are near. With one edit only the near keys."""
    keys = plan(size, edits)
    left = codes.runs(hashes, keys.a, keys.b)
    right = codes.runs(hashes, keys.c, keys.d)
    return codes.keys(left, right, keys.kind, keys.length, bits), keys.near


def within(hashes: np.ndarray, size: int, bits: int) -> np.ndarray:
    """Return the buckets of whole numbers that a query much longer than they are may begin or
    end with: what lies beyond the shifts of `plan`."""
    lengths = np.arange(LEAST_WITHIN, size - LONGEST_TAIL)
    if not len(lengths):
        return np.zeros(0, dtype=np.int64)
    first = codes.runs(hashes, np.zeros_like(lengths), lengths)
    last = codes.runs(hashes, size - lengths, np.full_like(lengths, size))
    whole, twice = np.concatenate([first, last]), np.concatenate([lengths, lengths])
    return codes.keys(whole, whole, codes.WHOLE, twice, bits)
