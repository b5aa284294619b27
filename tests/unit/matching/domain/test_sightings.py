import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.machines import Machine
from matching.domain.comparisons import compare_models
from matching.domain.sightings import (
    CERTAIN,
    Belief,
    Seen,
    SightingIndex,
    closeness,
    era_weight,
    overlap,
)
from parts.domain.interchange import Edge, InterchangeGraph
from tests.unit.matching import strategies
from tests.unit.matching.building import CLASSES, TABLE, WEIGHTS, built, kind, machine, seen, side

S = TABLE["sightings"]
NONE = InterchangeGraph()
HERE = machine(built=built(2014))
THERE = machine("M2W 90 247 S 4", built=built(2014))


def judge(all_seen: list[Seen], asked: Machine, position: str, fit_class: str) -> dict[str, float]:
    """Return the weighted counts by looking at every sighting there is."""
    close = S["closeness" if fit_class == "exact-only" else "closeness_spec"]
    counts: dict[str, float] = {}
    for one in all_seen:
        there = one.machine
        if not asked.make or asked.make != there.make:
            continue
        if not asked.family or asked.family != there.family:
            continue
        if position and one.position and position != one.position:
            continue
        if asked.built is None or there.built is None:
            era = S["era_unknown"]
        else:
            days = max(
                0,
                (there.built.start - asked.built.end).days,
                (asked.built.start - there.built.end).days,
            )
            era = math.exp(-(days / 365.25) / S["era_years"])
        level = compare_models(asked, there, kind(fit_class))
        weight = close.get(level, 0.0) * era * min(asked.sure, there.sure)
        if weight > 0.01:
            counts[one.number] = counts.get(one.number, 0.0) + weight
    return counts


@given(
    strategies.seen,
    st.lists(
        st.tuples(strategies.machines, st.sampled_from(["", "wash", "rinse"])),
        min_size=1,
        max_size=4,
    ),
    st.sampled_from(CLASSES),
)
def test_belief_equals_the_slow_judge(all_seen, asked, fit_class):
    """Several machines are asked about in turn: one answer must not be kept for another."""
    index = SightingIndex(kind(fit_class), WEIGHTS)
    index.add_all(all_seen)
    for one, position in asked:
        found = index.belief(side(of=one, position=position))
        expected = judge(all_seen, one, position, fit_class)
        assert dict(found.counts) == pytest.approx(expected)
        assert found.total == pytest.approx(sum(expected.values()))
        assert bool(found.nearest) or not expected
        if expected:
            assert sum(map(found.share, found.counts)) == pytest.approx(1)


def test_a_printed_number_is_certain():
    index = SightingIndex(kind(), WEIGHTS)
    index.add_all(seen("999", machine(), 50))
    found = index.belief(side("1111.222-01", machine()))
    assert (found.counts, found.total) == ({"111122201": CERTAIN}, CERTAIN)
    assert (found.nearest, found.likeliest()) == ("printed", "111122201")


@pytest.mark.parametrize(
    "unknown", [Machine(), Machine(make="Velthane"), Machine(family="M2W"), machine(make="")]
)
def test_a_machine_without_make_or_family_carries_nothing_known(unknown):
    index = SightingIndex(kind(), WEIGHTS)
    index.add_all(seen("999", unknown, 5))
    found = index.belief(side(of=unknown))
    assert (found.counts, found.total, found.likeliest()) == ({}, 0.0, "")
    assert found.share("999") == 0.0


def test_an_unsure_recognition_is_not_answered_from_a_sure_one():
    """The same number, read with less certainty, counts for less."""
    index = SightingIndex(kind(), WEIGHTS)
    index.add_all(seen("999", machine(built=built(2014))))
    sure = index.belief(side(of=machine(built=built(2014))))
    unsure = index.belief(side(of=machine(built=built(2014), sure=0.5)))
    assert (sure.total, unsure.total) == (pytest.approx(1.0), pytest.approx(0.5))


def test_positions_are_kept_apart_where_both_are_known():
    index = SightingIndex(kind(), WEIGHTS)
    index.add_all(seen("1", machine(), position="wash") + seen("2", machine(), position="rinse"))
    index.add_all(seen("3", machine()))
    assert set(index.belief(side(of=machine(), position="wash")).counts) == {"1", "3"}
    assert set(index.belief(side(of=machine())).counts) == {"1", "2", "3"}


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [
        (None, None, 0.6),
        (built(2014), None, 0.6),
        (built(2014), built(2014), 1.0),
        (built(2014, 365), built(2015), 1.0),
        (built(2014, 0), built(2015, 0), math.exp(-365 / 365.25 / 0.8)),
    ],
)
def test_era_weight(a, b, expected):
    assert era_weight(a, b, WEIGHTS) == pytest.approx(expected)
    assert era_weight(b, a, WEIGHTS) == pytest.approx(expected)


@pytest.mark.parametrize("fit_class", CLASSES)
@pytest.mark.parametrize("level", TABLE["model"])
def test_closeness(fit_class, level):
    table = "closeness" if fit_class == "exact-only" else "closeness_spec"
    assert closeness(level, kind(fit_class), WEIGHTS) == S[table].get(level, 0.0)
    assert (closeness(level, kind(fit_class), WEIGHTS) > 0) is (
        level in {"same", "immaterial", "same-revision", "same-family", "other-revision", "alike"}
    )


@pytest.mark.parametrize(
    ("offered", "wanted", "share", "tries"),
    [
        ({}, {}, 0, 0),
        ({"A": 2.0}, {}, 0, 0),
        ({"A": 2.0}, {"A": 3.0}, 1.0, 2.0),
        ({"A": 2.0}, {"B": 3.0}, 0.0, 2.0),
        ({"A": 1.0, "B": 1.0}, {"A": 4.0}, 0.5, 2.0),
        ({"A": 1.0, "B": 1.0}, {"A": 2.0, "B": 2.0}, 0.5, 2.0),
        ({"NEW": 1.0}, {"OLD": 1.0}, 1.0, 1.0),  # the new one serves where the old is asked for
        ({"OLD": 1.0}, {"NEW": 1.0}, 0.0, 1.0),
        ({"1O5": 1.0}, {"105": 1.0}, 1.0, 1.0),  # one character misread
        ({"1O5": 1.0}, {"1OS": 1.0, "I0S": 1.0}, 0.5, 1.0),  # one misread, and three
    ],
)
def test_overlap(offered, wanted, share, tries):
    graph = InterchangeGraph.of([Edge("OLD", "NEW")])
    ours, theirs = (Belief(one, sum(one.values()), "same") for one in (offered, wanted))
    hits, tried = overlap(ours, theirs, graph)
    assert tried == pytest.approx(tries)
    assert hits == pytest.approx(share * tries)


counts = st.dictionaries(st.sampled_from("ABCD"), st.floats(0.1, 9), max_size=4)


@given(counts, counts)
def test_overlap_is_the_chance_that_two_draws_agree(offered, wanted):
    ours, theirs = (Belief(one, sum(one.values()), "same") for one in (offered, wanted))
    hits, tries = overlap(ours, theirs, NONE)
    if not offered or not wanted:
        assert (hits, tries) == (0.0, 0.0)
        return
    chance = sum(
        a / sum(offered.values()) * b / sum(wanted.values())
        for x, a in offered.items()
        for y, b in wanted.items()
        if x == y
    )
    assert hits / tries == pytest.approx(chance)
    assert overlap(theirs, ours, NONE) == pytest.approx((hits, tries))


def test_likeliest_is_the_most_seen():
    assert Belief({"A": 1.0, "B": 2.0}, 3.0).likeliest() == "B"
    assert Belief({"B": 1.0, "A": 1.0}, 2.0).likeliest() == "B"  # the same every time


def test_another_revision_says_little_of_a_board_and_all_of_a_pump():
    asked, there = machine(built=built(2014)), machine("M2W 90 246 S 3", built=built(2014))
    totals = []
    for fit_class in ("exact-only", "spec-match"):
        matters = {"family", "revision"} if fit_class == "exact-only" else {"family"}
        index = SightingIndex(kind(fit_class, matters=frozenset(matters)), WEIGHTS)
        index.add_all(seen("999", there))
        totals.append(index.belief(side(of=asked)).total)
    assert totals == pytest.approx([0.08, 1.0])
    assert replace(asked, built=None) != asked


@pytest.mark.parametrize(
    ("offer", "want", "ours", "theirs"),
    [
        (side(of=HERE), side("333", THERE), {"999": 2.0, "333": 0.8}, {"333": CERTAIN}),
        (side("333", HERE), side(of=THERE), {"333": CERTAIN}, {"999": 1.6, "333": 0.8}),
        # a machine with a reference is on record: its number is among the sightings already
        (side(of=HERE), side("333", replace(THERE, ref="J-1")), {"999": 2.0}, {"333": CERTAIN}),
        # as sure as the less sure recognition
        (
            side(of=HERE),
            side("333", replace(THERE, sure=0.5)),
            {"999": 2.0, "333": 0.4},
            {"333": CERTAIN},
        ),
        (side(of=HERE), side(of=THERE), {"999": 2.0}, {"999": 1.6}),
        (side("333", HERE), side("444", THERE), {"333": CERTAIN}, {"444": CERTAIN}),
    ],
)
def test_what_is_printed_beside_counts_as_one_more_sighting(offer, want, ours, theirs):
    index = SightingIndex(kind(), WEIGHTS)
    index.add_all(seen("999", HERE, 2))
    level = compare_models(offer.machine, want.machine, kind())
    for belief, expected in zip(index.beliefs(offer, want, level), (ours, theirs), strict=True):
        assert dict(belief.counts) == pytest.approx(expected)
        assert belief.total == pytest.approx(sum(expected.values()))


def test_what_is_printed_beside_is_not_kept_for_the_next_question():
    index = SightingIndex(kind(), WEIGHTS)
    index.add_all(seen("999", HERE))
    index.beliefs(side(of=HERE), side("333", HERE), "same")
    assert dict(index.belief(side(of=HERE)).counts) == {"999": 1.0}
