import math
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.machines import Machine
from matching.domain.comparisons import compare_models
from matching.domain.known_breaks import BreakIndex, KnownBreak, Scope
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
from workshop.domain.intervals import Interval

S = TABLE["sightings"]
NONE = InterchangeGraph()
HERE = machine(built=built(2014))
THERE = machine("M2W 90 247 S 4", built=built(2014))


TIER_OF = {"same": 0, "immaterial": 1, "same-revision": 2}  # every other level: the family


def weight_of(one: Seen, asked: Machine, position: str, era_years: float, unknown: float) -> float:
    """Return how far one sighting counts by family, position, dates and certainty."""
    there = one.machine
    same = asked.make and asked.family and asked.make == there.make
    if not same or asked.family != there.family:
        return 0.0
    if position and one.position and position != one.position:
        return 0.0
    era = unknown
    if asked.built is not None and there.built is not None:
        days = max(
            0,
            (there.built.start - asked.built.end).days,
            (asked.built.start - there.built.end).days,
        )
        era = math.exp(-(days / 365.25) / era_years)
    return era * min(asked.sure, there.sure)


def judge(all_seen: list[Seen], asked: Machine, position: str, fit_class: str) -> dict[str, float]:
    """Return the weighted counts, by looking at every sighting anew for every number and tier."""
    of = kind(fit_class)
    close = S["closeness" if fit_class == "exact-only" else "closeness_spec"]
    row = S["tiers"]["exact-only" if fit_class == "exact-only" else "other"]
    strengths = [row[name] for name in ("model", "matters", "revision", "family")]
    total = 0.0
    for one in all_seen:
        weight = weight_of(one, asked, position, S["era_years"], S["era_unknown"])
        weight *= close.get(compare_models(asked, one.machine, of), 0.0)
        total += weight if weight >= 0.01 else 0.0
    if not total:
        return {}

    def count(tier: int, number: str | None) -> float:
        return sum(
            weight_of(one, asked, position, row["years"], row["unknown"])
            for one in all_seen
            if number in (None, one.number)
            and compare_models(asked, one.machine, of)
            in {
                "unknown",
                "alike",
                "same",
                "immaterial",
                "same-revision",
                "same-family",
                "other-revision",
            }
            and TIER_OF.get(compare_models(asked, one.machine, of), 3) <= tier
        )

    def chance(tier: int, number: str) -> float:
        if tier > 3:
            return 0.0
        wider, of_all = chance(tier + 1, number), count(tier, None)
        if not of_all:
            return wider
        return (count(tier, number) + strengths[tier] * wider) / (of_all + strengths[tier])

    chances = {number: chance(0, number) for number in {one.number for one in all_seen}}
    held = sum(chances.values())
    return {number: total * one / held for number, one in chances.items() if one}


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
        assert {n: c for n, c in found.counts.items() if c} == pytest.approx(expected)
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


def test_nothing_is_learned_across_a_known_break():
    changed = Interval(date(2014, 6, 1), date(2014, 8, 31))
    known = KnownBreak(Scope("Velthane", "M2W"), changed, ("1",), ("2",))
    index = SightingIndex(kind(), WEIGHTS, BreakIndex.of([known]))
    index.add_all(seen("1", machine(built=built(2014)), 5) + seen("2", machine(built=built(2015))))
    assert set(index.belief(side(of=machine(built=built(2015.2)))).counts) == {"2"}
    assert set(index.belief(side(of=machine(built=built(2013.8)))).counts) == {"1"}
    assert set(index.belief(side(of=machine())).counts) == {"1", "2"}  # it may be either


def test_a_prediction_says_what_it_rests_on():
    index = SightingIndex(kind(), WEIGHTS)
    there = machine("M2W 60 246 W 4", built=built(2014))
    index.add_all(seen("1", there, 7) + seen("2", there) + seen("3", machine("M2W 1 1 S 1"), 4))
    found = index.predict(machine(built=built(2014)))
    assert (found.tier, dict(found.seen)) == ("matters", {"1": 7, "2": 1})
    assert found.likeliest() == "1"
    assert 0.7 < found.chance("1") < 7 / 8
    assert sum(map(found.chance, found.counts)) + found.unseen == pytest.approx(1.0)


def test_a_prediction_falls_back_on_the_make():
    index = SightingIndex(kind("spec-match"), WEIGHTS)
    found = index.predict(machine("X9X 1 1 S 1"), of_make={"1": 6, "2": 3})
    assert (found.tier, found.likeliest()) == ("make", "1")
    assert found.chance("1") == pytest.approx(6 / 9.05)
    assert found.unseen == pytest.approx(0.05 / 9.05)
    assert index.predict(machine()).unseen == 1.0  # nothing known: it may be anything
