"""Numbers as small codes: five bits a character of the folded form, and their hashes.

The folded form merges what is misread for one another, so the index never sees a look-alike.
Folding leaves 27 of the 36 letters and digits; every other letter shares one code, which only
finds: what is found is compared in its canonical form.
"""

from functools import lru_cache

import numpy as np

from donors.domain.model_numbers import FOLD, LONGEST

PAD, OPEN, OTHER = 0, 1, 2
_KEPT = sorted({chr(FOLD.get(ord(c), ord(c))) for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"})
CODES = np.full(256, OTHER, dtype=np.uint8)
CODES[ord("\n")] = PAD
for _mark in "*#":
    CODES[ord(_mark)] = OPEN
for _place, _char in enumerate(_KEPT, start=3):
    CODES[ord(_char)] = _place
# A look-alike takes the code of its class, so that canonical text can be coded directly.
for _alike, _target in FOLD.items():
    CODES[_alike] = CODES[_target]
ALPHABET = 32
assert len(_KEPT) + 3 <= ALPHABET

PIECES = 4
PAIRS = ((0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3))
WHOLE = len(PAIRS)  # the key of a whole number
BASE = np.uint64(0x9E3779B97F4A7C15)
_SALT = np.array(
    [(0xD1B54A32D192ED03 * (2 * i + 3)) & (2**64 - 1) for i in range(WHOLE + 1)], dtype=np.uint64
)
_LENGTH = np.array(
    [(0xA24BAED4963EE407 * (2 * i + 5)) & (2**64 - 1) for i in range(LONGEST * 2 + 1)],
    dtype=np.uint64,
)
_SECOND = np.uint64(0x9FB21C651E98DF25)
_MIX = np.uint64(0xD6E8FEB86659FD93)
POWERS = np.array([pow(int(BASE), i, 2**64) for i in range(LONGEST * 2 + 1)], dtype=np.uint64)


def encode(text: str) -> np.ndarray:
    """Return the codes of a canonical number, one a character."""
    return CODES[np.frombuffer(text.encode("ascii", "replace"), dtype=np.uint8)]


@lru_cache(maxsize=512)
def cuts(length: int) -> tuple[int, ...]:
    """Return where a number of this length is cut into pieces: PIECES + 1 places."""
    return tuple((length * i + 2) // PIECES for i in range(PIECES + 1))


def prefix_hashes(codes: np.ndarray) -> np.ndarray:
    """Return the hash of every beginning; that of a run [a, b) is `h[b] - h[a] * POWERS[b-a]`."""
    hashes = [0]
    base = int(BASE)
    for code in codes.tolist():
        hashes.append((hashes[-1] * base + code + 1) & 0xFFFFFFFFFFFFFFFF)
    return np.array(hashes, dtype=np.uint64)


def runs(hashes: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    return hashes[end] - hashes[start] * POWERS[end - start]


def keys(
    left: np.ndarray, right: np.ndarray, kind: np.ndarray | int, length: np.ndarray | int, bits: int
) -> np.ndarray:
    """Return bucket numbers of `bits` bits for two piece hashes of a number of some length."""
    mixed = (left ^ (left >> np.uint64(29))) * _MIX
    mixed = mixed + (right ^ (right >> np.uint64(31))) * _SECOND + _SALT[kind] + _LENGTH[length]
    mixed = (mixed ^ (mixed >> np.uint64(32))) * _MIX
    return (mixed >> np.uint64(64 - bits)).astype(np.int64)


def column_hash(codes: np.ndarray, start: int, end: int) -> np.ndarray:
    """Return the hash of columns [start, end) of rows of equal length."""
    found = np.zeros(len(codes), dtype=np.uint64)
    for column in range(start, end):
        found = found * BASE + (codes[:, column].astype(np.uint64) + np.uint64(1))
    return found


def signatures(codes: np.ndarray) -> np.ndarray:
    """Return 64 bits a row: which codes it holds at least once (low half) and twice (high).

    One edit changes at most two of the bits, a transposition none, so rows many bits apart
    are many edits apart.
    """
    once = np.zeros(len(codes), dtype=np.uint64)
    twice = np.zeros(len(codes), dtype=np.uint64)
    one = np.uint64(1)
    for column in range(codes.shape[1]):
        bit = one << codes[:, column].astype(np.uint64)
        twice |= once & bit
        once |= bit
    return once | (twice << np.uint64(32))


def signature(coded: np.ndarray) -> np.uint64:
    """Return the same bits of one number, without an array operation a character."""
    once = twice = 0
    for code in coded.tolist():
        bit = 1 << code
        twice |= once & bit
        once |= bit
    return np.uint64(once | twice << 32)


def gram_codes(codes: np.ndarray) -> np.ndarray:
    """Return the trigrams of rows of equal length, one 15-bit code a place."""
    wide = codes.astype(np.uint16)
    return (wide[:, :-2] << 10) | (wide[:, 1:-1] << 5) | wide[:, 2:]
