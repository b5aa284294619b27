"""Ask an index for a number: gather what may be meant, compare it, put the best first."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from donors.domain.lookup import alike, codes, costs, plan
from donors.domain.lookup.index import BLOCK, FOLDED_BYTES, GRAMS, Index, spread
from donors.domain.model_numbers import LONGEST, WILDCARDS, fills

MOST_READ = 12_000  # rows taken from keys before they are sorted by signature
MOST_COMPARED = 48
MOST_ALIKE = 32  # rows that begin (or end) like the query
FAR_IF_OPEN = 4.5  # the same for swaps alone where open positions take up a piece already
FAR = 7.0  # a cost at which trigrams, and swaps over a cut, are asked too
MOST_POSTINGS = 40_000
MOST_REFINED = 16
MOST_MASKS = 256  # patterns of open positions asked for one length


class Hit(NamedTuple):
    """A row that may be meant. number: its canonical form; filled: with open positions filled
    from the query. cost in nats; way and edits as in costs.Compared; unlike in nats as in alike."""

    place: int
    row: int
    model: int
    alias: bool
    number: str
    filled: str
    cost: float
    way: int
    edits: int
    unlike: float = 0.0

    @property
    def weight(self) -> float:
        """Return what hits are ranked by, in nats."""
        return self.cost + self.unlike


@dataclass(frozen=True)
class Layer:
    """An index, and which of its models no longer count because they changed or went.

    printed: the number of a model as it is printed, where that is known: what was not read
    most often begins or ends at one of its separators.
    """

    index: Index
    dead: np.ndarray | None = None
    printed: Callable[[int], str] | None = None

    def living(self, rows: np.ndarray) -> np.ndarray:
        return rows if self.dead is None else rows[~self.dead[self.index.model[rows]]]


def search(layers: Sequence[Layer], query: str, *, most: int = 24, far: bool = True) -> list[Hit]:
    """Return rows of the layers by rising weight, several a model where it has several names,
    and several a number where makes share it: at most `most` different numbers.

    Rows that are the query, or fill to it, come first whatever else is near. far: when nothing
    is near, ask also for what more than two edits explain.
    """
    query = query[:LONGEST]
    if not query:
        return []
    first = [layer.living(_near(layer.index, query)) for layer in layers]
    hits = _compared(layers, first, query, most)
    least = min((hit.cost for hit in hits), default=np.inf)
    if far and (
        least > FAR or (least > FAR_IF_OPEN and any(layer.index.masks for layer in layers))
    ):
        more = [layer.living(_far(layer.index, query, grams=least > FAR)) for layer in layers]
        new = [np.setdiff1d(b, a, assume_unique=True) for a, b in zip(first, more, strict=True)]
        hits = _first(sorted([*hits, *_compared(layers, new, query, most)], key=_by_weight), most)
    sure = exact(layers, query)
    if sure:
        sure.sort(key=lambda hit: (hit.cost, hit.number))
        known = {(hit.place, hit.row) for hit in sure}
        hits = [*sure, *(hit for hit in hits if (hit.place, hit.row) not in known)]
    return hits


def near(layers: Sequence[Layer], query: str) -> list[Hit]:
    """Return rows within two edits of the query, or that lost an end: half the time of `search`
    where nothing is near, as with most of the words in a text."""
    return search(layers, query, far=False)


def exact(layers: Sequence[Layer], query: str) -> list[Hit]:
    """Return only the rows that are the query, or are it once their open positions are filled."""
    query = query[:LONGEST]
    if not query:
        return []
    return [hit for place, layer in enumerate(layers) for hit in _sure(layer, place, query)]


def exact_among(layers: Sequence[Layer], numbers: Iterable[str]) -> set[str]:
    """Return which of many canonical numbers are known exactly but for misreadings, or may be
    once open positions are filled. One pass for all numbers of a length, for the many runs of
    words in a text."""
    by_length: dict[int, list[str]] = {}
    for number in set(numbers):
        if 0 < len(number) <= LONGEST:
            by_length.setdefault(len(number), []).append(number)
    found: set[str] = set()
    for size, some in by_length.items():
        coded = np.stack([codes.encode(number) for number in some])
        for layer in layers:
            for mask in ((), *layer.index.masks.get(size, ())[:MOST_MASKS]):
                form = coded.copy()
                form[:, list(mask)] = codes.OPEN
                whole = codes.column_hash(form, 0, size)
                keys = codes.keys(whole, whole, codes.WHOLE, size, layer.index.bits)
                found.update(some[i] for i in _same(layer, form, keys).tolist())
    return found


def _same(layer: Layer, forms: np.ndarray, keys: np.ndarray) -> np.ndarray:
    """Return which of some coded numbers of one length stand under their keys, folded."""
    index, size = layer.index, forms.shape[1]
    starts = index.pair_starts[keys].astype(np.int64)
    sizes = index.pair_starts[keys + 1].astype(np.int64) - starts
    rows = index.pair_rows[spread(starts, sizes)]
    owners = np.repeat(np.arange(len(keys)), sizes)
    first = index.offsets[rows].astype(np.int64)
    fitting = np.flatnonzero(index.offsets[rows + 1] - first == size)
    text = index.text[first[fitting][:, None] + np.arange(size)]
    same = (codes.CODES[text] == forms[owners[fitting]]).all(axis=1)
    return np.unique(owners[fitting[same]])


def _sure(layer: Layer, place: int, query: str) -> list[Hit]:
    index = layer.index
    rows = layer.living(_rows(index, _whole_keys(index, query)))
    found = []
    for row in rows.tolist():
        number = index.number(row)
        if number == query:
            found.append(_hit(index, place, row, number, query, 0.0, 0))
        elif fills(number, query):
            cost = costs.FILLED * sum(c in WILDCARDS for c in number)
            found.append(_hit(index, place, row, number, query, cost, 0))
    return found


def _whole_keys(index: Index, query: str) -> np.ndarray:
    """Return the keys of the whole query, and of it with each known set of open positions."""
    coded = codes.encode(query)
    masks = index.masks.get(len(query), ())[:MOST_MASKS]
    if not masks:
        whole = codes.prefix_hashes(coded)[-1:]
    else:
        forms = np.tile(coded, (1 + len(masks), 1))
        for form, mask in zip(forms[1:], masks, strict=True):
            form[list(mask)] = codes.OPEN
        whole = codes.column_hash(forms, 0, len(query))
    return np.unique(codes.keys(whole, whole, codes.WHOLE, len(query), index.bits))


def _hit(
    index: Index,
    place: int,
    row: int,
    number: str,
    filled: str,
    cost: float,
    edits: int,
    way: int = costs.WHOLE,
) -> Hit:
    model, alias = int(index.model[row]), bool(index.alias[row])
    return Hit(place, row, model, alias, number, filled, cost, way, edits)


def _rows(index: Index, keys: np.ndarray) -> np.ndarray:
    starts = index.pair_starts[keys].astype(np.int64)
    sizes = index.pair_starts[keys + 1].astype(np.int64) - starts
    return index.pair_rows[spread(starts, sizes)]


def _near(index: Index, query: str) -> np.ndarray:
    """Return the rows most likely within two edits, or that lost an end."""
    coded = codes.encode(query)
    hashes = codes.prefix_hashes(coded)
    rows = _asked(index, coded, *plan.ask(hashes, len(query), index.bits))
    folded = query.encode("ascii", "replace").translate(FOLDED_BYTES)
    within = _rows(index, plan.within(hashes, len(query), index.bits))
    return np.unique(np.concatenate([rows, within, *_ends(index, folded)]))


def _asked(index: Index, coded: np.ndarray, keys: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Return the likeliest rows under some keys; the longest lists are left when it is much."""
    starts = index.pair_starts[keys]
    sizes = (index.pair_starts[keys + 1] - starts).astype(np.int64)
    asked = np.flatnonzero(sizes)
    sizes, starts = sizes[asked], starts[asked]
    if int(sizes.sum()) > MOST_READ:
        order = np.argsort(sizes + 100 * ~near[asked])
        kept = order[: max(1, int(np.searchsorted(np.cumsum(sizes[order]), MOST_READ)))]
        sizes, starts = sizes[kept], starts[kept]
    rows = np.sort(index.pair_rows[spread(starts, sizes)])
    if not len(rows):
        return rows
    first = np.flatnonzero(np.concatenate([[True], rows[1:] != rows[:-1]]))
    times = np.diff(np.append(first, len(rows)))
    return _likeliest(index, coded, rows[first], times)


def _far(index: Index, query: str, *, grams: bool) -> np.ndarray:
    """Return rows outside the first model of noise: swaps over a cut, and (with grams) shared
    trigrams.

    A swap over a cut touches two pieces, and an edit elsewhere a third. Undoing the swap
    leaves one edit, so each swap the query may hold is undone and asked with fewer shifts.
    """
    coded = codes.encode(query)
    undone = []
    for at in range(len(coded) - 1):
        if coded[at] != coded[at + 1]:
            form = coded.copy()
            form[[at, at + 1]] = form[[at + 1, at]]
            hashes = codes.prefix_hashes(form)
            undone.append(plan.ask(hashes, len(query), index.bits, edits=1)[0])
    found = [_by_grams(index, query) if grams else np.zeros(0, dtype=np.uint32)]
    if undone:
        keys = np.unique(np.concatenate(undone))
        found.append(_asked(index, coded, keys, np.ones(len(keys), dtype=bool)))
    return np.unique(np.concatenate(found))


def _likeliest(index: Index, coded: np.ndarray, rows: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Return the rows whose characters are most like the query's, at most MOST_COMPARED."""
    if len(rows) <= MOST_COMPARED:
        return rows
    own = codes.signature(coded)
    theirs = index.signature[rows]
    missing = np.bitwise_count(own & ~theirs).astype(np.int64)
    extra = np.bitwise_count(theirs & ~own).astype(np.int64)
    unlike = 4 * missing + 2 * extra - np.minimum(times, 8)
    return rows[np.argpartition(unlike, MOST_COMPARED)[:MOST_COMPARED]]


def _ends(index: Index, folded: bytes) -> list[np.ndarray]:
    """Return rows that begin like the query, and rows that end like it; shortest first."""
    found = []
    if len(folded) >= 3:
        start, end = index.beginning_with(folded)
        found.append(_shortest(index, np.arange(start, end, dtype=np.uint32)))
    if len(folded) >= 4:
        start, end = index.ending_with(folded)
        found.append(_shortest(index, index.backward[start:end]))
    return found


def _shortest(index: Index, rows: np.ndarray) -> np.ndarray:
    if len(rows) <= MOST_ALIKE:
        return rows
    rows = rows[:20_000]
    sizes = index.offsets[rows + 1] - index.offsets[rows]
    return rows[np.argpartition(sizes, MOST_ALIKE - 1)[:MOST_ALIKE]]


def _by_grams(index: Index, query: str) -> np.ndarray:
    """Return the rows that share most trigrams with the query, rare ones first."""
    coded = codes.encode(query)[None, :]
    if coded.shape[1] < 3 or not len(index):
        return np.zeros(0, dtype=np.uint32)
    grams = np.unique(codes.gram_codes(coded)[0]).astype(np.int64)
    blocks = np.arange((len(index.gram_starts) - 1) // GRAMS)
    places = grams[:, None] + blocks * GRAMS
    starts = index.gram_starts[places]
    sizes = (index.gram_starts[places + 1] - starts).astype(np.int64)
    whole = sizes.sum(axis=1)
    order = np.argsort(whole)
    kept = order[: max(1, int(np.searchsorted(np.cumsum(whole[order]), MOST_POSTINGS)))]
    starts, sizes = starts[kept].ravel(), sizes[kept].ravel()
    firsts = np.tile((blocks * BLOCK).astype(np.uint32), len(kept))
    rows = index.gram_rows[spread(starts, sizes)] + np.repeat(firsts, sizes)
    rows.sort()
    if not len(rows):
        return rows
    first = np.flatnonzero(np.concatenate([[True], rows[1:] != rows[:-1]]))
    times = np.diff(np.append(first, len(rows)))
    rows = rows[first]
    if len(rows) > 4 * MOST_COMPARED:
        best = np.argpartition(-times, 4 * MOST_COMPARED)[: 4 * MOST_COMPARED]
        rows, times = rows[best], times[best]
    sizes = (index.offsets[rows + 1] - index.offsets[rows]).astype(np.int64)
    dice = 2 * times / (len(grams) + np.maximum(sizes - 2, 1))
    return rows[np.argsort(-dice)[:MOST_COMPARED]]


def _compared(
    layers: Sequence[Layer], chosen: Sequence[np.ndarray], query: str, most: int
) -> list[Hit]:
    """Return the chosen rows of all layers that cost least, by rising weight: at most `most`
    different numbers."""
    source, numbers, opened = _listed(layers, chosen, query)
    if not numbers:
        return []
    seen = costs.compare(query, numbers)
    for i, number in opened.items():
        seen.cost[i] += costs.FILLED * sum(c in WILDCARDS for c in number)
    _refine(seen, layers, source, query, numbers)
    hits: list[Hit] = []
    different: set[str] = set()
    for i in np.argsort(seen.cost, kind="stable").tolist():
        place, row = source[i]
        number = opened.get(i, numbers[i])
        different.add(number)
        if len(different) > most:
            break
        cost, edits, way = float(seen.cost[i]), int(seen.edits[i]), int(seen.way[i])
        hits.append(_hit(layers[place].index, place, row, number, numbers[i], cost, edits, way))
    return sorted(_weighed(query, hits), key=_by_weight)


def _weighed(query: str, hits: Sequence[Hit]) -> Iterable[Hit]:
    own, *others = costs.folded_all([query, *(hit.filled for hit in hits)])
    weights = alike.unlike(own, others, [hit.way == costs.ENDS for hit in hits])
    return (hit._replace(unlike=weight) for hit, weight in zip(hits, weights, strict=True))


def _by_weight(hit: Hit) -> float:
    return hit.weight


def _first(hits: Sequence[Hit], most: int) -> list[Hit]:
    """Return the first of a list, as far as `most` different numbers go."""
    different: set[str] = set()
    for place, hit in enumerate(hits):
        different.add(hit.number)
        if len(different) > most:
            return list(hits[:place])
    return list(hits)


def _listed(
    layers: Sequence[Layer], chosen: Sequence[np.ndarray], query: str
) -> tuple[list[tuple[int, int]], list[str], dict[int, str]]:
    """Return (layer, row) and number of every chosen row, open positions filled from the query;
    and by place in those lists the number as it is known, where positions were filled."""
    source: list[tuple[int, int]] = []
    numbers: list[str] = []
    opened: dict[int, str] = {}
    for place, (layer, rows) in enumerate(zip(layers, chosen, strict=True)):
        listed = rows.tolist()
        if not layer.index.masks:  # no open position anywhere: nothing to fill
            source += [(place, row) for row in listed]
            numbers += layer.index.numbers(listed)
            continue
        for row, number in zip(listed, layer.index.numbers(listed), strict=True):
            if "*" in number or "#" in number:
                for filled in costs.fills_for(query, number):
                    opened[len(numbers)] = number
                    numbers.append(filled)
                    source.append((place, row))
            else:
                numbers.append(number)
                source.append((place, row))
    return source, numbers, opened


def _refine(
    seen: costs.Compared,
    layers: Sequence[Layer],
    source: Sequence[tuple[int, int]],
    query: str,
    numbers: Sequence[str],
) -> None:
    """Take off what look-alike pairs and printed separators explain."""
    order = np.argsort(seen.cost, kind="stable")[:MOST_REFINED]
    for i in order.tolist():
        if seen.way[i] == costs.WHOLE and seen.edits[i] and len(numbers[i]) == len(query):
            seen.cost[i] -= costs.alike_discount(query, numbers[i])
    # A row further behind than that cannot come to stand among the first by it.
    near = seen.cost <= seen.cost.min() + 2 * costs.AT_BREAK
    parts = (seen.way == costs.BEGINS) | (seen.way == costs.ENDS)
    for i in np.flatnonzero(near & parts).tolist():
        place, row = source[i]
        layer = layers[place]
        if layer.printed and not layer.index.alias[row]:
            printed = layer.printed(int(layer.index.model[row]))
            seen.cost[i] -= costs.break_discount(printed, len(query), int(seen.way[i]))
