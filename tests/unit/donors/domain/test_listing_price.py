"""The most worth paying for a listing. Judge: every plan, every outcome of every part."""

import math
from itertools import combinations, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.listing_price import Listing, WaitingJob, most_worth_paying
from donors.domain.strip_plan.graph import Part, Step, StripGraph, needs
from tests.unit.donors.domain.strip_plan.judges import WORKED, worked
from workshop.domain.refusals import ValueRefused

chances = st.sampled_from([0.0, 0.25, 0.5, 0.9, 1.0])


@st.composite
def graphs(draw):
    tasks = [Step("lid", draw(st.integers(0, 8))), Step("base", draw(st.integers(0, 8)))]
    for number in range(draw(st.integers(1, 4))):
        behind = draw(st.sampled_from([("lid",), ("base",), ("lid", "base")]))
        price, minutes = draw(st.integers(0, 30)), draw(st.integers(0, 8))
        tasks.append(Part(f"part {number}", minutes, needs(*behind), price, draw(chances)))
    return StripGraph.of(tasks, rate_per_min=1.0)


@st.composite
def listings(draw):
    graph = draw(graphs())
    free = [part.name for part in graph.parts]
    jobs = []
    while free and draw(st.booleans()):
        count = draw(st.integers(1, min(2, len(free))))
        parts = tuple(free.pop() for _ in range(count))
        jobs.append(WaitingJob(f"J-{len(jobs)}", parts, draw(st.integers(0, 60)), draw(chances)))
    return Listing(
        as_said=graph,
        p_as_said=draw(chances),
        jobs=tuple(jobs),
        otherwise=draw(st.none() | graphs()),
        metal=float(draw(st.integers(-10, 10))),
        collection=float(draw(st.integers(0, 20))),
        margin_share=draw(st.sampled_from([0.0, 0.2])),
    )


def best_by_enumeration(graph, jobs=()):
    """Try every set of tasks; for each go through every outcome of its parts, and of each job."""
    best = 0.0
    names = list(graph.tasks)
    for size in range(len(names) + 1):
        for chosen in combinations(names, size):
            if graph.is_possible(set(chosen)):
                best = max(best, _mean_over_outcomes(graph, chosen, jobs))
    return best


def _mean_over_outcomes(graph, chosen, jobs):
    parts = [part for part in graph.parts if part.name in chosen]
    mean = -graph.rate_per_min * graph.minutes(chosen)
    for good in product([True, False], repeat=len(parts)):
        p = math.prod(
            part.p_good if yes else 1 - part.p_good for part, yes in zip(parts, good, strict=True)
        )
        have = {part.name for part, yes in zip(parts, good, strict=True) if yes}
        money = sum(graph.tasks[name].price for name in have)
        money += sum(job.margin * job.gain for job in jobs if set(job.parts) <= have)
        mean += p * money
    return mean


@given(listings())
def test_equals_enumeration(listing):
    found = most_worth_paying(listing)
    p = listing.p_as_said
    worth = p * best_by_enumeration(listing.as_said, listing.jobs)
    if listing.otherwise is not None:
        worth += (1 - p) * best_by_enumeration(listing.otherwise)
    worth += listing.metal
    expected = worth - listing.margin_share * max(0.0, worth) - listing.collection
    assert sum(line.money for line in found.lines) == pytest.approx(expected, abs=1e-4)
    assert found.most == pytest.approx(max(0.0, expected), abs=1e-4)
    assert found.is_worth_fetching == (sum(line.money for line in found.lines) > 0)


@given(listings(), chances, st.integers(0, 40))
def test_better_news_never_lowers_the_ceiling(listing, gain, margin):
    free = {part.name for part in listing.as_said.parts}
    free -= {name for job in listing.jobs for name in job.parts}
    if free:
        more = WaitingJob("J-more", (min(free),), margin, gain)
        after = Listing(**{**_fields(listing), "jobs": (*listing.jobs, more)})
        assert most_worth_paying(after).most >= most_worth_paying(listing).most - 1e-6


@given(listings(), st.integers(0, 60))
def test_the_chance_from_which_a_price_pays(listing, asked):
    found = most_worth_paying(listing)
    sure = found.sure_enough_for(asked)
    if sure is None:
        assert asked > found.as_said
    else:
        worth = sure * found.as_said + (1 - sure) * found.otherwise
        assert 0 <= sure <= 1
        assert worth >= asked - 1e-6 or sure == 0


class TestTheWorkedWasher:
    """check-values 5.7: the plan brings 96.30."""

    def test_as_it_stands(self):
        found = most_worth_paying(Listing(worked(), p_as_said=1.0))
        assert found.most == pytest.approx(WORKED["best_value"], abs=5e-3)
        assert found.serves == ()

    def test_the_sum_by_hand(self):
        """.8 x 96.30 + 5 of metal = 82.04; a quarter kept, 20 to fetch it: 41.53."""
        listing = Listing(worked(), 0.8, metal=5, collection=20, margin_share=0.25)
        found = most_worth_paying(listing)
        assert found.most == pytest.approx(41.53, abs=5e-3)
        assert [line.words for line in found.lines][-2:] == ["margin", "collection"]

    def test_a_waiting_job_pays_for_the_way_in(self):
        """The door lock stays on by itself (-3.6 with its panel); a margin of 30 x .6 brings it."""
        job = WaitingJob("J-7", ("door lock",), 30, 1.0)
        found = most_worth_paying(Listing(worked(), 1.0, jobs=(job,)))
        assert found.serves == ("J-7",)
        assert found.most == pytest.approx(WORKED["best_value"] - 3.6 + 18, abs=5e-3)

    def test_both_halves_must_be_good(self):
        """Board .75, display .8: the margin counts with .6."""
        job = WaitingJob("J-8", ("board", "display"), 50, 1.0)
        found = most_worth_paying(Listing(worked(), 1.0, jobs=(job,)))
        assert found.most == pytest.approx(WORKED["best_value"] + 30, abs=5e-3)

    def test_a_price_asked(self):
        found = most_worth_paying(Listing(worked(), 0.5))
        assert found.sure_enough_for(48.15) == pytest.approx(0.5, abs=1e-3)
        assert found.sure_enough_for(200) is None
        assert found.sure_enough_for(0) == 0


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"p_as_said": 1.2}, "p_as_said"),
        ({"p_as_said": math.nan}, "p_as_said"),
        ({"collection": -1}, "collection"),
        ({"metal": math.inf}, "metal"),
        ({"margin_share": 1.5}, "margin_share"),
        ({"jobs": (WaitingJob("J", (), 5, 1),)}, "J"),
        ({"jobs": (WaitingJob("J", ("board",), -5, 1),)}, "J"),
        ({"jobs": (WaitingJob("J", ("board",), 5, 2),)}, "J"),
        ({"jobs": (WaitingJob("J", ("lid",), 5, 1),)}, "J"),
        ({"jobs": (WaitingJob("J", ("grinder",), 5, 1),)}, "J"),
        ({"jobs": (WaitingJob("I", ("board",), 5, 1), WaitingJob("J", ("board",), 5, 1))}, "J"),
    ],
)
def test_bad_input_is_refused_by_name(changed, field):
    with pytest.raises(ValueRefused) as refused:
        most_worth_paying(Listing(**{"as_said": worked(), "p_as_said": 1.0, **changed}))
    assert field in refused.value.fields


def test_a_price_below_nothing_is_refused():
    with pytest.raises(ValueRefused):
        most_worth_paying(Listing(worked(), 1.0)).sure_enough_for(-1)


def _fields(listing):
    return {name: getattr(listing, name) for name in Listing.__dataclass_fields__}
