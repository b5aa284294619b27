"""The numbers of a catalogue in numpy arrays, built once and asked many times.

Rows are names of models (numbers and aliases), sorted by their folded form, so that all that
begin alike stand together. Beside them:
- `pair_*`: every number is cut into four pieces; each two of them make a key. Two edits touch
  at most two pieces (a transposition over a cut touches both), so two pieces are left whole
  and their key finds the number.
- `gram_*`: trigrams of the folded form, for what lies outside that model of noise. Rows are
  counted in blocks of 65,536, so that two bytes name a row within its block.
- `signature`: which characters a row holds, to sort thousands of rows before comparing any.
- `backward`: rows by their reversed folded form, for numbers that lost their beginning.

Arrays are plain and flat: a snapshot file maps them without copying (donors/snapshots.py).
"""

from array import array
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import numpy as np

from donors.domain.lookup import codes
from donors.domain.model_numbers import FOLD, LONGEST

SORTED_BY = 16  # characters of a number that its place in the order depends on
STRIDE = 256  # places between two that are looked at first when one is sought
BLOCK = 1 << 16  # rows a block: what two bytes can count
GRAMS = codes.ALPHABET**3
FOLDED_BYTES = bytes(FOLD.get(c, c) for c in range(256))
ARRAYS = (
    "text",
    "offsets",
    "model",
    "alias",
    "backward",
    "signature",
    "pair_starts",
    "pair_rows",
    "gram_starts",
    "gram_rows",
)


@dataclass
class Index:
    """Rows of one catalogue. `model` says which model a row names, by its place in the list
    the caller keeps; `odd` holds the numbers that are not plain ASCII, in full."""

    text: np.ndarray
    offsets: np.ndarray
    model: np.ndarray
    alias: np.ndarray
    backward: np.ndarray
    signature: np.ndarray
    pair_starts: np.ndarray
    pair_rows: np.ndarray
    gram_starts: np.ndarray
    gram_rows: np.ndarray
    odd: Mapping[int, str] = field(default_factory=dict)
    masks: Mapping[int, tuple[tuple[int, ...], ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._text = np.ascontiguousarray(self.text).data
        self._offsets = np.ascontiguousarray(self.offsets).data
        self.bits = int(len(self.pair_starts) - 2).bit_length()

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @property
    def nbytes(self) -> int:
        return sum(getattr(self, name).nbytes for name in ARRAYS)

    def number(self, row: int) -> str:
        """Return the canonical number of a row."""
        if row in self.odd:
            return self.odd[row]
        return str(self._text[self._offsets[row] : self._offsets[row + 1]], "ascii")

    def numbers(self, rows: Iterable[int]) -> list[str]:
        text, at = self._text, self._offsets
        if self.odd:
            return [self.number(row) for row in rows]
        return [str(text[at[row] : at[row + 1]], "ascii") for row in rows]

    def _folded(self, row: int) -> bytes:
        found = bytes(self._text[self._offsets[row] : self._offsets[row + 1]])
        return found.translate(FOLDED_BYTES)[:SORTED_BY]

    def _folded_backward(self, place: int) -> bytes:
        row = int(self.backward[place])
        start, end = self._offsets[row], self._offsets[row + 1]
        found = bytes(self._text[max(start, end - SORTED_BY) : end])
        return found.translate(FOLDED_BYTES)[::-1]

    @cached_property
    def _stops(self) -> list[bytes]:
        return [self._folded(row) for row in range(0, len(self), STRIDE)]

    @cached_property
    def _stops_backward(self) -> list[bytes]:
        return [self._folded_backward(place) for place in range(0, len(self), STRIDE)]

    def beginning_with(self, folded: bytes) -> tuple[int, int]:
        """Return the rows [start, end) whose folded form begins with this."""
        return _beginning(folded, len(self), self._folded, self._stops)

    def ending_with(self, folded: bytes) -> tuple[int, int]:
        """Return the places [start, end) in `backward` of rows whose folded form ends so."""
        return _beginning(folded[::-1], len(self), self._folded_backward, self._stops_backward)


def _beginning(
    text: bytes, size: int, form: Callable[[int], bytes], stops: list[bytes]
) -> tuple[int, int]:
    """Return the places [start, end) whose form begins with a text; forms stand in order.

    stops: the form of every STRIDEth place, which says at once between which two to look.
    """
    text = text[:SORTED_BY]
    start = _place_of(text, size, form, stops)
    if start == size or not form(start).startswith(text):
        return start, start
    return start, _place_of(text + b"\xff", size, form, stops)


def _place_of(text: bytes, size: int, form: Callable[[int], bytes], stops: list[bytes]) -> int:
    stop = bisect_left(stops, text)
    low, high = max(0, (stop - 1) * STRIDE), min(size, stop * STRIDE)
    return bisect_left(range(size), text, low, high, key=form)


@dataclass
class Names:
    """What an index is built from: one canonical number a row, its model, whether an alias."""

    text: bytearray = field(default_factory=bytearray)
    lengths: "array[int]" = field(default_factory=lambda: array("B"))
    model: "array[int]" = field(default_factory=lambda: array("i"))
    alias: bytearray = field(default_factory=bytearray)
    odd: dict[int, str] = field(default_factory=dict)

    def add(self, number: str, model: int, *, alias: bool = False) -> None:
        if not number:
            return
        if not number.isascii():
            self.odd[len(self.alias)] = number
        self.text += number.encode("ascii", "replace")
        self.lengths.append(len(number))
        self.model.append(model)
        self.alias.append(alias)


def build(names: Names) -> Index:
    """Return the index of these names. Works in chunks, so little more than the result is held."""
    lengths = np.asarray(names.lengths, dtype=np.int32)
    text = np.frombuffer(names.text, dtype=np.uint8)
    starts = np.zeros(len(lengths) + 1, dtype=np.uint32)
    np.cumsum(lengths, out=starts[1:])
    order = _order(text, starts, lengths)
    text, offsets, lengths = _reordered(text, starts, lengths, order)
    names.text = bytearray()  # a copy of it, ordered, is held now
    new_place = {int(order[i]): i for i in range(len(order))} if names.odd else {}
    found = Index(
        text=text,
        offsets=offsets,
        model=np.asarray(names.model, dtype=np.int32)[order],
        alias=np.frombuffer(names.alias, dtype=np.uint8)[order],
        backward=_order(text, offsets, lengths, backward=True).astype(np.uint32),
        signature=np.zeros(len(order), dtype=np.uint64),
        pair_starts=np.zeros((1 << _bits(len(order))) + 1, dtype=np.uint32),
        pair_rows=np.zeros(0, dtype=np.uint32),
        gram_starts=np.zeros(-(-len(order) // BLOCK) * GRAMS + 1, dtype=np.uint32),
        gram_rows=np.zeros(int(np.maximum(lengths - 2, 0).sum()), dtype=np.uint16),
        odd={new_place[row]: number for row, number in names.odd.items()},
    )
    names.lengths, names.model, names.alias = array("B"), array("i"), bytearray()
    del order, starts, text, offsets
    _fill(found, lengths)
    return found


def _bits(rows: int) -> int:
    """Return the size of the table of keys: about one bucket for every three keys."""
    return min(24, max(10, (rows * 2).bit_length()))


def _order(
    text: np.ndarray, offsets: np.ndarray, lengths: np.ndarray, *, backward: bool = False
) -> np.ndarray:
    """Return rows in the order of their folded form, read forward or backward."""
    width = int(min(SORTED_BY, lengths.max(initial=1)))
    table = np.frombuffer(FOLDED_BYTES, dtype=np.uint8)
    padded = np.zeros((len(lengths), width), dtype=np.uint8)
    for start in range(0, len(lengths), BLOCK):
        chunk = slice(start, start + BLOCK)
        size = lengths[chunk]
        first = offsets[:-1][chunk].astype(np.int64)
        for column in range(width):
            rows = np.flatnonzero(size > column)
            at = first[rows] + (size[rows] - 1 - column if backward else column)
            padded[start + rows, column] = table[text[at]]
    return np.argsort(padded.view(f"S{width}").ravel(), kind="stable").astype(np.uint32)


def _reordered(
    text: np.ndarray, starts: np.ndarray, lengths: np.ndarray, order: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    lengths = lengths[order]
    offsets = np.zeros(len(order) + 1, dtype=np.uint32)
    np.cumsum(lengths, out=offsets[1:])
    placed = np.zeros(len(text), dtype=np.uint8)
    for start in range(0, len(order), BLOCK):
        chunk = slice(start, start + BLOCK)
        source = spread(starts[:-1][order[chunk]], lengths[chunk])
        first = int(offsets[start])
        placed[first : first + len(source)] = text[source]
    return placed, offsets, lengths


def spread(starts: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """Return start, start+1, ... start+size-1 of every range, one after another."""
    total = int(sizes.sum())
    if not total:
        return np.zeros(0, dtype=np.int64)
    steps = np.repeat(starts.astype(np.int64) - (np.cumsum(sizes) - sizes), sizes)
    return steps + np.arange(total)


def by_length(lengths: np.ndarray) -> Iterator[tuple[int, list[np.ndarray]]]:
    """Yield each block of rows with its first row: the rows of the block by equal length."""
    for start in range(0, len(lengths), BLOCK):
        here = lengths[start : start + BLOCK]
        order = np.argsort(here.astype(np.uint8), kind="stable")
        edges = np.flatnonzero(np.diff(here[order])) + 1
        yield start, [start + group for group in np.split(order, edges)]


def _fill(index: Index, lengths: np.ndarray) -> None:
    """Count the keys of every row, then place them: two passes, so nothing is sorted whole."""
    counts = index.pair_starts[:-1]  # counts first, then where the next row of a key goes
    masks: dict[int, set[tuple[int, ...]]] = {}
    for start, groups in by_length(lengths):
        grams: list[np.ndarray] = []
        owners: list[np.ndarray] = []
        for rows in groups:
            coded = _coded(index, rows)
            index.signature[rows] = codes.signatures(coded)
            _count(counts, pair_keys(coded, index.bits).ravel())
            found = grams_of(coded)
            grams.append(found.ravel())
            owners.append(np.repeat((rows - start).astype(np.uint16), found.shape[1]))
            for row in coded[(coded == codes.OPEN).any(axis=1)]:
                mask = tuple(np.flatnonzero(row == codes.OPEN).tolist())
                masks.setdefault(len(row), set()).add(mask)
        _place_grams(index, start // BLOCK, np.concatenate(grams), np.concatenate(owners))
    index.masks = {length: tuple(sorted(found)) for length, found in masks.items()}
    total = int(counts.sum(dtype=np.int64))
    counts[1:] = np.cumsum(counts[:-1])
    counts[0] = 0
    index.pair_rows = np.zeros(total, dtype=np.uint32)
    for _, groups in by_length(lengths):
        for rows in groups:
            _place(index.pair_rows, counts, pair_keys(_coded(index, rows), index.bits), rows)
    # Every cursor stands at the end of its rows now: where the next key's rows begin.
    index.pair_starts[1:] = index.pair_starts[:-1].copy()
    index.pair_starts[0] = 0


def _place_grams(index: Index, block: int, grams: np.ndarray, owners: np.ndarray) -> None:
    """Lay the rows of a block by trigram, behind those of the blocks before it."""
    first = int(index.gram_starts[block * GRAMS])
    order = np.argsort(grams, kind="stable")
    index.gram_rows[first : first + len(order)] = owners[order]
    ends = first + np.cumsum(np.bincount(grams, minlength=GRAMS))
    index.gram_starts[block * GRAMS + 1 : (block + 1) * GRAMS + 1] = ends


def _count(counts: np.ndarray, found: np.ndarray) -> None:
    ordered = np.sort(found)
    if len(ordered):
        edges = np.flatnonzero(np.diff(ordered)) + 1
        first = np.concatenate([[0], edges])
        counts[ordered[first]] += np.diff(np.append(first, len(ordered))).astype(np.uint32)


def _coded(index: Index, rows: np.ndarray) -> np.ndarray:
    """Return the codes of rows of one length, a row each."""
    length = int(index.offsets[rows[0] + 1] - index.offsets[rows[0]]) if len(rows) else 0
    at = index.offsets[:-1][rows].astype(np.int64)[:, None] + np.arange(length)
    found: np.ndarray = codes.CODES[index.text[at]]
    return found


def pair_keys(coded: np.ndarray, bits: int) -> np.ndarray:
    """Return the keys of rows of one length: one for each two pieces, and the whole number."""
    length = coded.shape[1]
    cut = codes.cuts(length)
    pieces = [codes.column_hash(coded, a, b) for a, b in pairwise(cut)]
    found = [
        codes.keys(pieces[a], pieces[b], kind, length, bits)
        for kind, (a, b) in enumerate(codes.PAIRS)
        if length >= codes.PIECES
    ]
    whole = codes.column_hash(coded, 0, length)
    return np.stack([*found, codes.keys(whole, whole, codes.WHOLE, length, bits)], axis=1)


def grams_of(coded: np.ndarray) -> np.ndarray:
    if coded.shape[1] < 3:
        return np.zeros((len(coded), 0), dtype=np.uint16)
    return codes.gram_codes(coded)


def _place(target: np.ndarray, cursor: np.ndarray, found: np.ndarray, rows: np.ndarray) -> None:
    """Write each row under each of its keys, behind what stands there already."""
    if not found.size:
        return
    flat = found.ravel()
    order = np.argsort(flat, kind="stable")
    ordered = flat[order]
    edges = np.concatenate([[0], np.flatnonzero(np.diff(ordered)) + 1])
    sizes = np.diff(np.append(edges, len(ordered)))
    heads = ordered[edges]
    places = spread(cursor[heads], sizes)
    target[places] = rows[order // found.shape[1]]
    cursor[heads] += sizes.astype(np.uint32)


assert LONGEST < 256  # lengths are sorted as bytes
