"""Build breaks against judges: every placing enumerated, an outside library, and plain cases."""

import math
from collections import Counter
from datetime import date, timedelta
from itertools import pairwise, product

import numpy as np
import pytest
import ruptures
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import gammaln

from matching.domain import breaks
from matching.domain.breaks import Break, Dated, Search, find_breaks, main_numbers
from tests.unit.matching.building import TABLE
from workshop.domain.intervals import Interval

SEARCH = Search.of(TABLE["breaks"])
DAY = date(2014, 1, 1)
A = SEARCH.concentration


def on(day: int, days: int = 0) -> Interval:
    return Interval(DAY + timedelta(days=day), DAY + timedelta(days=day + days))


def rows_of(text: str, step: int = 30, **fields: str) -> list[Dated]:
    """Return a sighting a letter, each `step` days after the one before."""
    return [Dated(letter, on(step * place), fields) for place, letter in enumerate(text)]


def segment(numbers: list[str], of: int, a: float = A) -> float:
    """Return ln of the Dirichlet-multinomial chance of a sequence, by scipy's gammaln."""
    counts = Counter(numbers)
    every = sum(gammaln(a + n) - gammaln(a) for n in counts.values())
    return float(every + gammaln(of * a) - gammaln(of * a + len(numbers)))


def every_placing(rows: list[Dated], cut: date, of: int) -> float:
    """Return the marginal likelihood with a break, by trying every placing of every sighting."""
    total = 0.0
    for early in product([True, False], repeat=len(rows)):
        chance = 1.0
        for one, before in zip(rows, early, strict=True):
            days = (one.built.end - one.built.start).days + 1
            share = sum(one.built.start + timedelta(days=d) < cut for d in range(days)) / days
            chance *= share if before else 1.0 - share
        if chance:
            sides = [
                [r.number for r, e in zip(rows, early, strict=True) if e is side]
                for side in (True, False)
            ]
            total += chance * math.exp(sum(segment(side, of) for side in sides))
    return math.log(total)


dated = st.builds(
    Dated, st.sampled_from("ABC"), st.builds(on, st.integers(0, 60), st.sampled_from([0, 6, 30]))
)


@settings(max_examples=60, deadline=None)
@given(st.lists(dated, min_size=1, max_size=8), st.integers(1, 90))
def test_the_marginal_equals_trying_every_placing(rows, day):
    cut = DAY + timedelta(days=day)
    found = breaks._marginal(rows, cut, 3, A)
    assert found == pytest.approx(every_placing(rows, cut, 3), abs=1e-9)
    assert breaks._marginal(rows, None, 3, A) == pytest.approx(
        segment([one.number for one in rows], 3), abs=1e-9
    )


def slow_chance(rows: list[Dated], search: Search) -> float:
    """Return P(break) by the cells, one day after another, without any plate field."""
    of = len({one.number for one in rows})
    first = min(one.built.start for one in rows)
    last = max(one.built.end for one in rows)
    days = [first + timedelta(days=d) for d in range((last - first).days + 2)]
    allowed = [
        day
        for day in days
        if sum(one.built.end < day for one in rows) >= search.least_each_side
        and sum(one.built.start >= day for one in rows) >= search.least_each_side
    ]
    if not allowed:
        return 0.0
    with_one = np.mean([math.exp(breaks._marginal(rows, day, of, A)) for day in allowed])
    odds = (
        search.prior
        / (1 - search.prior)
        * with_one
        / math.exp(segment([one.number for one in rows], of))
    )
    return float(odds / (1 + odds))


@pytest.mark.parametrize("text", ["AAAAABBBBB", "AAAABAAABBBB", "ABABABABAB", "AAAAAABBB"])
@pytest.mark.parametrize("step", [10, 40])
def test_the_chance_is_that_of_going_through_every_day(text, step):
    rows = rows_of(text, step)
    slow = slow_chance(rows, SEARCH)
    found = find_breaks(rows, SEARCH)
    assert bool(found) is (slow >= SEARCH.propose)
    if found:
        # cells take a stretch by its middle and by its days; a day's difference at the ends
        assert found[0].chance == pytest.approx(slow, abs=0.02)


def cost_of(numbers: list[str]) -> "ruptures.base.BaseCost":
    """Return the cost of a segment for ruptures: minus ln of its Dirichlet-multinomial chance."""

    class Cost(ruptures.base.BaseCost):
        model, min_size = "", SEARCH.least_each_side

        def fit(self, signal):
            self.signal = signal
            return self

        def error(self, start, end):
            return -segment([numbers[i] for i in range(start, end)], len(set(numbers)))

    return Cost()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from("AB"), min_size=8, max_size=24).filter(lambda n: len(set(n)) == 2))
def test_the_likeliest_place_equals_that_of_ruptures(numbers):
    """Judge: ruptures 1.1.10 (PyPI), exact dynamic programming for one break, the same cost.

    Sightings ten days apart with exact dates: a cell is a gap between two of them.
    """
    rows = rows_of("".join(numbers), step=10)
    signal = np.arange(len(rows)).reshape(-1, 1)
    theirs = ruptures.Dynp(custom_cost=cost_of(numbers), min_size=3, jump=1).fit(signal)
    place = theirs.predict(n_bkps=1)[0]
    cells = [c for c in breaks._cells(rows, DAY, SEARCH)[0] if c.days > 1]
    of = len(set(numbers))
    marginals = [breaks._marginal(rows, cell.middle, of, A) for cell in cells]
    best = -cost_of(numbers).sum_of_costs([place, len(numbers)])
    assert max(marginals) == pytest.approx(best, abs=1e-9)
    ours = cells[int(np.argmax(marginals))]
    assert segment(numbers[:place], of) + segment(numbers[place:], of) == pytest.approx(
        breaks._marginal(rows, ours.middle, of, A), abs=1e-9
    )


@pytest.mark.parametrize(
    "text",
    [
        "AAAAAABBBBBB",
        "AAAAAAABBBBBBBCCCCCCC",
        "AAAAAAABBBBBBBAAAAAAAA",
        "AAAAAAABBBBBBBCCCCCCCDDDDDDDDD",
        "AAAAXAAAABBBBBBBBBAAAAAAAACCCCCCC",
    ],
)
def test_several_breaks_equal_those_of_ruptures(text):
    """Judge: ruptures' Pelt (exact for a penalty) with the prior odds of a break as penalty."""
    rows = rows_of(text)
    signal = np.arange(len(rows)).reshape(-1, 1)
    algorithm = ruptures.Pelt(custom_cost=cost_of(list(text)), min_size=3, jump=1).fit(signal)
    places = algorithm.predict(pen=-math.log(SEARCH.prior / (1 - SEARCH.prior)))[:-1]
    found = find_breaks(rows, SEARCH)
    assert len(found) == len(places)
    for one, place in zip(found, places, strict=True):
        gap = Interval(rows[place - 1].built.end, rows[place].built.start)
        assert one.changed.overlaps(gap)


def test_what_is_found_is_told():
    [found] = find_breaks(rows_of("AAAAAABBBBBB"), SEARCH)
    assert found.chance > 0.95
    assert (found.before, found.after) == ({"A": 6}, {"B": 6})
    assert (found.numbers_before, found.numbers_after) == (("A",), ("B",))
    assert found.changed.start > on(5 * 30).start - timedelta(days=40)
    assert found.changed.end <= on(6 * 30).end + timedelta(days=40)
    assert found.sightings == 12


@pytest.mark.parametrize(
    "rows",
    [
        [],
        rows_of("A"),
        rows_of("AAAAAAAAAAAA"),  # one number
        rows_of("AABB"),  # too few on either side
        rows_of("AAAAAB" * 4),  # a mix that does not change
        rows_of("ABABABABABABAB"),
        [Dated(letter, on(0, 365)) for letter in "AAAAAABBBBBB"],  # all of the same year
    ],
)
def test_no_break(rows):
    assert find_breaks(rows, SEARCH) == []


def test_a_plate_field_explains_it_better_than_a_date():
    """Another number for another colour, and the colours were built one after the other."""
    by_colour = rows_of("AAAAAAA", colour="white") + [
        Dated("B", on(210 + 30 * place), {"colour": "steel"}) for place in range(7)
    ]
    without = [Dated(one.number, one.built) for one in by_colour]
    assert len(find_breaks(without, SEARCH)) == 1
    assert find_breaks(by_colour, SEARCH) == []


def test_a_misreading_is_no_change():
    [found] = find_breaks(rows_of("AAAAXAAABBBBBBB"), SEARCH)
    assert found.numbers_before == ("A",)
    assert main_numbers({"A": 9, "X": 1}) == ("A",)


@settings(max_examples=60, deadline=None)
@given(st.lists(dated, max_size=30))
def test_breaks_come_in_order_with_enough_on_either_side(rows):
    found = find_breaks(rows, SEARCH)
    for one in found:
        assert isinstance(one, Break)
        assert SEARCH.propose <= one.chance <= 1.0
        early = sum(row.built.end < one.changed.end for row in rows)
        late = sum(row.built.start > one.changed.start for row in rows)
        assert min(early, late) >= SEARCH.least_each_side
        assert one.numbers_before != one.numbers_after
    assert all(a.changed.middle() <= b.changed.middle() for a, b in pairwise(found))


def test_very_many_sightings_stay_in_bounds():
    rows = [Dated("A" if n < 800 else "B", on(n)) for n in range(1600)]
    [found] = find_breaks(rows, SEARCH)
    assert abs((found.changed.middle() - on(800).start).days) < 20
    assert len(breaks._cells(rows, on(800).start, SEARCH)[0]) <= breaks.MOST_CELLS
