"""Whether two listings are of the same machine, seen twice.

Texts are compared by their runs of three words (shingles): near-same ones share most of them
(Broder, "On the resemblance and containment of documents", 1997). Candidates are found by
MinHash bands, so nothing is compared with everything.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from zlib import crc32

import numpy as np

BANDS, ROWS = 6, 3  # keys of a listing, hashes in a key: finds .92 of pairs that share .7
SHINGLE = 3  # words
MOST_WORDS = 4_000
ALIKE = 0.7  # share of shingles from which texts are near-same
ALIKE_SAME_MODEL = 0.5  # the same, when both are read as the same model
NEARLY_EQUAL = 0.9  # from here a price or a detail may have been corrected
PRICE_NEAR = 0.6  # the lower price as a share of the dearer one

_WORD = re.compile(r"[^\W_]+")
_MONEY = re.compile(
    r"(?:€|£|\$|eur|gbp)\s?\d[\d.,]{0,14}|\d[\d.,]{0,14}\s?(?:€|£|\$|eur\w*|gbp|,-)", re.I
)
_PRIME = (1 << 31) - 1
_RNG = np.random.default_rng(20_26)
_A = _RNG.integers(1, _PRIME, BANDS * ROWS, dtype=np.int64)
_B = _RNG.integers(0, _PRIME, BANDS * ROWS, dtype=np.int64)


@dataclass(frozen=True)
class Seen:
    """A listing as it is compared. Blank and None are unknown.

    model: make and number it is read as, in one text. link: its id or address; source: where
    links come from, so that two of one source are told apart by them. price: cents.
    """

    text: str
    model: str = ""
    cause: str = ""
    price: int | None = None
    link: str = ""
    source: str = ""

    @cached_property
    def words(self) -> list[str]:
        return _WORD.findall(_MONEY.sub(" ", self.text.lower()))[:MOST_WORDS]

    @cached_property
    def shingles(self) -> frozenset[int]:
        """Hashes of the runs of three words; of a shorter text of all its words."""
        words = self.words
        runs = range(max(1, len(words) - SHINGLE + 1))
        return frozenset(crc32(" ".join(words[i : i + SHINGLE]).encode()) for i in runs)

    @cached_property
    def details(self) -> frozenset[str]:
        """Words with two digits and more: serial and phone numbers, sizes, years."""
        return frozenset(word for word in self.words if sum(c.isdigit() for c in word) >= 2)

    @property
    def keys(self) -> list[int]:
        """Keys of which near-same texts share one, as signed 64-bit integers."""
        hashes = np.fromiter(self.shingles, dtype=np.int64, count=len(self.shingles)) % _PRIME
        lowest = ((hashes[:, np.newaxis] * _A + _B) % _PRIME).min(axis=0)
        bands = lowest.reshape(BANDS, ROWS).astype(np.uint64)
        found = np.arange(1, BANDS + 1, dtype=np.uint64)
        for row in range(ROWS):
            found = (found ^ bands[:, row]) * np.uint64(0x9E3779B97F4A7C15)
        return [int(key) for key in found.astype(np.int64)]


def resemblance(a: Seen, b: Seen) -> float:
    """Return 0..1: what share of the shingles of either stands in both."""
    both = len(a.shingles & b.shingles)
    return both / (len(a.shingles) + len(b.shingles) - both)


def same_machine(a: Seen, b: Seen) -> bool:
    """Return True when two listings are of one machine. The order does not matter."""
    if a.link and a.link == b.link and a.source == b.source:
        return True
    if a.model and b.model and a.model != b.model:
        return False
    share = resemblance(a, b)
    if a.link and b.link and a.source == b.source and share < NEARLY_EQUAL:
        return False  # two links of one place; the same machine put in again has the same text
    if share < (ALIKE_SAME_MODEL if a.model and a.model == b.model else ALIKE):
        return False
    if share >= NEARLY_EQUAL and not _each_has_its_own(a, b):
        return True
    return not (_each_has_its_own(a, b) or _other_cause(a, b) or _other_price(a, b))


def _each_has_its_own(a: Seen, b: Seen) -> bool:
    """Whether each names a number the other does not: a serial number, another year."""
    return bool(a.details - b.details) and bool(b.details - a.details)


def _other_cause(a: Seen, b: Seen) -> bool:
    return bool(a.cause and b.cause and a.cause != b.cause)


def _other_price(a: Seen, b: Seen) -> bool:
    if a.price is None or b.price is None:
        return False
    low, high = sorted((a.price, b.price))
    return low < PRICE_NEAR * high


def first_same(one: Seen, others: Sequence[Seen]) -> int | None:
    """Return the place of the most alike of those that are the same machine; None if none is."""
    same = [place for place, other in enumerate(others) if same_machine(one, other)]
    return max(same, key=lambda place: (resemblance(one, others[place]), -place), default=None)
