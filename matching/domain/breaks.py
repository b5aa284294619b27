"""Build breaks: the date within a family (or one revision of it) where a part changed.

A break says: machines built before it carry some numbers, machines built after it others. It is
found from sightings by comparing marginal likelihoods. Within a segment each number is a draw
from an unknown mix (Dirichlet-multinomial, so that a mix of numbers is no break by itself); a
break at a date makes two segments. Build dates are intervals, so a sighting whose interval
straddles the date lies on either side with the share of its days there, and both are summed
exactly (`_marginal`). What a plate field explains (other number for another colour or revision)
is no break: models that split the sightings by a field, with and without a break, compete
(Barry and Hartigan 1992 for the product of segments; Kass and Raftery 1995 for Bayes factors).
"""

import math
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache
from itertools import pairwise

from workshop.domain.intervals import Interval

COMMON = 0.15  # a number rarer than that on its side may be a misreading
MOST_CELLS = 150


@dataclass(frozen=True, slots=True)
class Dated:
    """One sighting with a build interval: the number and what else tells machines apart."""

    number: str
    built: Interval
    fields: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Search:
    """How breaks are sought (evidence.json, block `breaks`).

    concentration: Dirichlet weight of each number; small, as a segment carries mostly one.
    prior: chance that a group of sightings holds a break, before looking.
    least_each_side: sightings certainly before and certainly after that a break needs.
    credible: share of the posterior that the stated interval holds.
    propose: posterior chance from which a break is worth a reviewer's time.
    """

    concentration: float
    prior: float
    least_each_side: int
    credible: float
    propose: float

    @classmethod
    def of(cls, table: Mapping[str, float]) -> "Search":
        """Return the settings of the table."""
        return cls(
            float(table["concentration"]),
            float(table["prior"]),
            int(table["least_each_side"]),
            float(table["credible"]),
            float(table["propose"]),
        )


@dataclass(frozen=True, slots=True)
class Break:
    """A change between two dates.

    changed: the first machine of the new kind was built on one of these days, with the chance
    `credible`. chance: posterior probability that there is a break. before, after: how many
    sightings of each number lie on either side (those in between to the likelier side).
    """

    changed: Interval
    chance: float
    before: Mapping[str, int]
    after: Mapping[str, int]

    @property
    def numbers_before(self) -> tuple[str, ...]:
        return main_numbers(self.before)

    @property
    def numbers_after(self) -> tuple[str, ...]:
        return main_numbers(self.after)

    @property
    def sightings(self) -> int:
        return sum(self.before.values()) + sum(self.after.values())


def main_numbers(counts: Mapping[str, int], least: float = COMMON) -> tuple[str, ...]:
    """Return the numbers that make up a side, most seen first; rare ones may be misreadings."""
    total = sum(counts.values())
    common = [number for number in counts if counts[number] >= least * total]
    return tuple(sorted(common, key=lambda number: (-counts[number], number)))


def find_breaks(seen: Iterable[Dated], search: Search) -> list[Break]:
    """Return the breaks among the sightings of one kind in one family or revision, in order.

    First the likeliest places of any number of breaks together, each sighting taken at the
    middle of its interval (exact, by dynamic programming: Jackson and others 2005). Then each
    place is weighed by itself between its neighbours, intervals and all; the weakest that does
    not hold is dropped and the rest weighed anew.
    """
    rows = sorted(seen, key=lambda one: (one.built.middle(), one.built.end, one.number))
    places = _likeliest_places(rows, search)
    weighed: dict[tuple[int, int, int], Break | None] = {}
    while places:
        edges = [0, *places, len(rows)]
        found = []
        for span in zip(edges, edges[1:], edges[2:], strict=False):
            if span not in weighed:
                weighed[span] = _weighed(rows, span, search)
            found.append(weighed[span])
        chances = [one.chance if one is not None else 0.0 for one in found]
        weakest = min(range(len(chances)), key=chances.__getitem__)
        if chances[weakest] >= search.propose:
            return [one for one in found if one is not None]
        del places[weakest]
    return []


def _likeliest_places(rows: Sequence[Dated], search: Search) -> list[int]:
    """Return where new segments begin in the likeliest division, [] for one segment.

    Each break costs its prior odds; the sightings may be split by one plate field besides.
    """
    if len(rows) < 2 * search.least_each_side:
        return []
    changes = [at for at in range(1, len(rows)) if rows[at - 1].number != rows[at].number]
    marks = [0, *changes[:: -(-len(changes) // MOST_CELLS) or 1], len(rows)]
    price = math.log((1.0 - search.prior) / search.prior)
    names = sorted({name for one in rows for name in one.fields})
    divisions = [_divide(rows, name, marks, price, search) for name in ("", *names)]
    return min(divisions, key=lambda one: one[0])[1]


def _divide(
    rows: Sequence[Dated], name: str, marks: Sequence[int], price: float, search: Search
) -> tuple[float, list[int]]:
    """Return the least cost of dividing the rows at some of the marks, and at which."""
    costs = [0.0] + [math.inf] * (len(marks) - 1)
    came = [0] * len(marks)
    for start in range(len(marks) - 1):
        if costs[start] == math.inf:
            continue
        ends = enumerate(_segment_costs(rows, name, marks[start:], search), start + 1)
        for end, cost in ends:
            total = costs[start] + cost + (price if start else 0.0)
            if marks[end] - marks[start] >= search.least_each_side and total < costs[end]:
                costs[end], came[end] = total, start
    places = []
    at = came[-1]
    while at:
        places.append(marks[at])
        at = came[at]
    return costs[-1], places[::-1]


def _segment_costs(
    rows: Sequence[Dated], name: str, marks: Sequence[int], search: Search
) -> Iterator[float]:
    """Yield minus ln P(numbers) of the rows from the first mark to each later one."""
    numbers = len({one.number for one in rows})
    counts: Counter[tuple[str, str]] = Counter()
    totals: Counter[str] = Counter()
    cost = 0.0
    for start, end in pairwise(marks):
        for one in rows[start:end]:
            group = one.fields.get(name, "") if name else ""
            seen = search.concentration + counts[group, one.number]
            cost -= math.log(seen / (search.concentration * numbers + totals[group]))
            counts[group, one.number] += 1
            totals[group] += 1
        yield cost


def _weighed(rows: Sequence[Dated], span: tuple[int, int, int], search: Search) -> Break | None:
    """Return the break near the middle of a span with its chance; None when there is none."""
    start, place, end = span
    near = rows[place].built.middle()
    within = rows[start:end]
    cells, days = _cells(within, near, search)
    if not cells:
        return None
    odds, posterior = _weigh(within, cells, days, search)
    chance = 1.0 / (1.0 + math.exp(-max(-700.0, min(700.0, odds))))
    changed = _credible(cells, posterior, search.credible)
    cut = cells[max(range(len(cells)), key=posterior.__getitem__)].middle
    before, after = _sides(within, cut)
    if set(main_numbers(before)) == set(main_numbers(after)):
        return None
    return Break(changed, chance, before, after)


@dataclass(frozen=True, slots=True)
class _Cell:
    """Days between two neighbouring ends of build intervals: nothing tells them apart."""

    first: date
    days: int

    @property
    def middle(self) -> date:
        return self.first + timedelta(days=self.days // 2)


def _cells(rows: Sequence[Dated], near: date, search: Search) -> tuple[list[_Cell], int]:
    """Return the stretches a break may lie in, and how many days all of them are.

    Enough sightings lie certainly on either side. Of very many, the nearest to `near` are
    returned, so that the work stays in bounds: with so many sightings the rest is unlikely.
    """
    starts = sorted(one.built.start for one in rows)
    ends = sorted(one.built.end + timedelta(days=1) for one in rows)
    found = [
        _Cell(first, (after - first).days)
        for first, after in pairwise(sorted({*starts, *ends}))
        if bisect_right(ends, first) >= search.least_each_side
        and len(starts) - bisect_left(starts, after) >= search.least_each_side
    ]
    days = sum(cell.days for cell in found)
    closest = max(0, bisect_left([cell.first for cell in found], near) - MOST_CELLS // 2)
    return found[closest : closest + MOST_CELLS], days


def _weigh(
    rows: Sequence[Dated], cells: Sequence[_Cell], days: int, search: Search
) -> tuple[float, list[float]]:
    """Return the log odds that there is a break, and how likely each cell holds it.

    Each way of splitting the sightings by one plate field (and by none) is a model, once
    without a break and once with one; all of a sort are equally likely beforehand.
    """
    numbers = len({one.number for one in rows})
    without: list[float] = []
    within: list[list[float]] = []
    for groups in _partitions(rows):
        without.append(
            sum(_marginal(group, None, numbers, search.concentration) for group in groups)
        )
        within.append(
            [
                math.log(cell.days / days)
                + sum(_marginal(g, cell.middle, numbers, search.concentration) for g in groups)
                for cell in cells
            ]
        )
    by_cell = [_log_sum(column) for column in zip(*within, strict=True)]
    total = _log_sum(by_cell)
    odds = total - _log_sum(without) + math.log(search.prior / (1.0 - search.prior))
    return odds, [math.exp(one - total) for one in by_cell]


def _partitions(rows: Sequence[Dated]) -> list[list[list[Dated]]]:
    """Return the sightings undivided, then divided by each field that has several values."""
    names = sorted({name for one in rows for name in one.fields})
    found = [[list(rows)]]
    for name in names:
        groups: dict[str, list[Dated]] = defaultdict(list)
        for one in rows:
            groups[one.fields.get(name, "")].append(one)
        if len(groups) > 1:
            found.append(list(groups.values()))
    return found


def _marginal(rows: Sequence[Dated], cut: date | None, numbers: int, concentration: float) -> float:
    """Return ln P(numbers seen | build intervals, a break at `cut` or none).

    Exact: a sighting that straddles the cut lies before it with its share of days there, and
    every way of placing the straddling ones is summed, number by number, then over how many
    lie before in all (the Dirichlet-multinomial depends on no more than these counts).
    """
    straddling: dict[str, list[float]] = defaultdict(list)
    early: Counter[str] = Counter()
    late: Counter[str] = Counter()
    for one in rows:
        share = 1.0 if cut is None else _share_before(one.built, cut)
        if share == 1.0:
            early[one.number] += 1
        elif share == 0.0:
            late[one.number] += 1
        else:
            straddling[one.number].append(share)
    ways = [0.0]
    for number in sorted({*early, *late, *straddling}):
        shares = straddling.get(number, [])
        own = [
            placed
            + _rising(concentration, early[number] + m)
            + _rising(concentration, late[number] + len(shares) - m)
            for m, placed in enumerate(_placed(shares))
        ]
        ways = _convolve(ways, own)
    all_of_it = concentration * numbers
    most = len(ways) - 1
    return _log_sum(
        [
            way
            - _rising(all_of_it, early.total() + m)
            - _rising(all_of_it, late.total() + most - m)
            for m, way in enumerate(ways)
        ]
    )


def _share_before(built: Interval, cut: date) -> float:
    """Return the share of the interval's days that lie before `cut`."""
    days = (built.end - built.start).days + 1
    return min(1.0, max(0.0, (cut - built.start).days / days))


@lru_cache(maxsize=65536)
def _rising(concentration: float, count: int) -> float:
    """Return ln of concentration (concentration + 1) ... count factors."""
    return math.lgamma(concentration + count) - math.lgamma(concentration)


def _placed(shares: Sequence[float]) -> list[float]:
    """Return ln P(m of them lie before), m = 0 .. all, each with its own chance."""
    chances = [1.0]
    for share in shares:
        longer = [one * (1.0 - share) for one in chances] + [0.0]
        for m, one in enumerate(chances):
            longer[m + 1] += one * share
        chances = longer
    return [math.log(one) if one > 0.0 else -math.inf for one in chances]


def _convolve(a: Sequence[float], b: Sequence[float]) -> list[float]:
    """Return ln of the sums over pairs that add up to the same count."""
    if len(b) == 1:
        return [one + b[0] for one in a]
    return [
        _log_sum([a[i] + b[m - i] for i in range(max(0, m - len(b) + 1), min(m, len(a) - 1) + 1)])
        for m in range(len(a) + len(b) - 1)
    ]


def _log_sum(logs: Sequence[float]) -> float:
    top = max(logs)
    if top == -math.inf:
        return top
    return top + math.log(sum(math.exp(one - top) for one in logs))


def _credible(cells: Sequence[_Cell], posterior: Sequence[float], share: float) -> Interval:
    """Return the shortest run of cells that holds at least `share` of the posterior.

    The first machine of the new kind was built on a day from its first to its last day.
    """
    best: tuple[int, int, int] | None = None
    for start in range(len(cells)):
        held = 0.0
        for end in range(start, len(cells)):
            held += posterior[end]
            if held >= share - 1e-9:
                last = cells[end].first + timedelta(days=cells[end].days)
                days = (last - cells[start].first).days
                if best is None or days < best[0]:
                    best = (days, start, end)
                break
    assert best is not None
    _, start, end = best
    last = cells[end].first + timedelta(days=cells[end].days - 1)
    return Interval(cells[start].first, last)


def _sides(rows: Sequence[Dated], cut: date) -> tuple[dict[str, int], dict[str, int]]:
    early: Counter[str] = Counter()
    late: Counter[str] = Counter()
    for one in rows:
        (early if _share_before(one.built, cut) >= 0.5 else late)[one.number] += 1
    return dict(early), dict(late)
