import math
from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given

from donors.domain.machines import Machine
from matching.domain.known_breaks import BreakIndex, KnownBreak, Scope
from matching.domain.outcomes import Counts, OutcomeIndex, Past, machine_key
from matching.domain.sides import Side
from tests.unit.matching import strategies
from tests.unit.matching.building import TABLE, WEIGHTS, built, machine, pasts, side

S = TABLE["sightings"]
DONOR, JOB = machine(built=built(2014)), machine("M2W 60 111 W 3", built=built(2016))


def index(*groups: list[Past], breaks: Iterable[KnownBreak] = ()) -> OutcomeIndex:
    found = OutcomeIndex(WEIGHTS, BreakIndex.of(breaks))
    for group in groups:
        found.add_all(group)
    return found


def era(a: Machine, b: Machine) -> float:
    if a.built is None or b.built is None:
        return float(S["era_unknown"])
    days = max(0, (a.built.start - b.built.end).days, (b.built.start - a.built.end).days)
    return math.exp(-(days / 365.25) / S["era_years"])


def parted(breaks: list[KnownBreak], a: Machine, b: Machine) -> bool:
    """Return whether one was surely built before a change and the other after, in its scope."""

    def within(one: KnownBreak, at: Machine) -> bool:
        where = one.scope
        same = (at.make, at.family) == (where.make, where.family)
        return same and where.revision in ("", at.revision)

    for one in breaks:
        if a.built is None or b.built is None or not (within(one, a) and within(one, b)):
            continue
        early, late = sorted((a.built, b.built), key=lambda at: at.start)
        if early.end < one.changed.start and late.start > one.changed.end:
            return True
    return False


def judge(every: list[Past], offer: Side, want: Side, breaks: list[KnownBreak]) -> Counts:
    """Return the counts by looking at every past fitting, once for each distance."""

    def alike(a: Machine, b: Machine) -> bool:
        known = a.make and a.family and b.make and b.family
        same = (a.make, a.family, a.revision) == (b.make, b.family, b.revision)
        return bool(known) and same

    number, wanted = offer.number.canonical, want.number.canonical
    distances = ("numbers", "number-in-family", "families")
    for basis in distances[:1] if number and wanted else distances:
        fits = tries = 0.0
        plain_fits = plain_tries = 0
        for past in every:
            same_number = bool(number) and past.offer.number.canonical == number
            if basis == "numbers":
                take = same_number and bool(wanted) and past.want.number.canonical == wanted
                weight = 1.0
            elif basis == "number-in-family":
                take = same_number and alike(past.want.machine, want.machine)
                take = take and not parted(breaks, past.want.machine, want.machine)
                weight = era(past.want.machine, want.machine)
            else:
                take = alike(past.offer.machine, offer.machine)
                take = take and alike(past.want.machine, want.machine)
                take = take and not parted(breaks, past.offer.machine, offer.machine)
                take = take and not parted(breaks, past.want.machine, want.machine)
                weight = era(past.want.machine, want.machine)
                weight *= era(past.offer.machine, offer.machine)
            if take:
                tries += weight
                fits += weight if past.fitted else 0.0
                plain_tries += 1
                plain_fits += 1 if past.fitted else 0
        if tries >= TABLE["outcomes"]["least"]:
            return Counts(basis, fits, tries, plain_fits, plain_tries)
    return Counts()


@given(strategies.pasts, strategies.sides, strategies.sides, strategies.breaks)
def test_counts_equal_the_slow_judge(every, offer, want, breaks):
    found = index(every, breaks=breaks).counts(offer, want)
    expected = judge(every, offer, want, breaks)
    assert found.basis == expected.basis
    assert (found.fits, found.tries) == pytest.approx((expected.fits, expected.tries))
    assert (found.plain_fits, found.plain_tries) == (expected.plain_fits, expected.plain_tries)


@given(strategies.pasts, strategies.sides, strategies.sides)
def test_fits_are_among_the_tries(every, offer, want):
    found = index(every).counts(offer, want)
    assert 0 <= found.fits <= found.tries + 1e-9
    assert 0 <= found.plain_fits <= found.plain_tries <= len(every)


def test_the_nearest_distance_that_says_something_counts():
    offer, want = side("1111.222-01", DONOR), side("", JOB)
    far = pasts(side("5555.222-01", DONOR), want, 5, 5)
    near = pasts(offer, want, 3, 1)
    assert index(far).counts(offer, want) == Counts("families", 5.0, 10.0, 5, 10)
    assert index(far, near).counts(offer, want) == Counts("number-in-family", 3.0, 4.0, 3, 4)


def test_two_printed_numbers_are_judged_by_that_pair_only():
    """A family may carry several numbers, so its fittings say nothing of two that are known."""
    offer, want = side("1111.222-01", DONOR), side("9999.222-01", JOB)
    others = pasts(offer, side("", JOB), 5) + pasts(side("5555.222-01", DONOR), want, 5)
    assert index(others).counts(offer, want) == Counts()
    assert index(others, pasts(offer, want, 1)).counts(offer, want) == Counts(
        "numbers", 1.0, 1.0, 1, 1
    )


def test_build_dates_of_both_sides_weigh_a_fitting_between_families():
    donor, job = replace(DONOR, built=built(2014.5)), replace(JOB, built=built(2016.5))
    one, two = era(DONOR, donor), era(JOB, job)
    assert 0.3 < one < 1
    assert 0.3 < two < 1
    past = pasts(side("", donor), side("", job), 2)
    found = index(past).counts(side("", DONOR), side("", JOB))
    assert (found.basis, found.tries) == ("families", pytest.approx(2 * one * two))
    # of a printed part only the job's build date counts: the donor's says nothing more
    past = pasts(side("1111.222-01", donor), side("", job), 2)
    found = index(past).counts(side("1111.222-01", DONOR), side("", JOB))
    assert (found.basis, found.tries) == ("number-in-family", pytest.approx(2 * two))


def test_what_lies_too_far_back_in_build_date_says_nothing():
    offer, want = side("1111.222-01", DONOR), side("", JOB)
    long_ago = side("", replace(JOB, built=built(2008)))
    assert index(pasts(offer, long_ago, 9)).counts(offer, want) == Counts()


CHANGED = KnownBreak(Scope("Velthane", "M2W"), built(2015), ("A",), ("B",))


@pytest.mark.parametrize("fits", [(6, 0), (0, 6)])
def test_a_fitting_across_an_accepted_break_says_nothing(fits):
    """Neither that it went in nor that it did not: the machine built then takes another part."""
    offer, want = side("1111.222-01", DONOR), side("", replace(JOB, built=built(2015.5)))
    older = side("", replace(JOB, built=built(2014.5)))
    across, near = pasts(offer, older, *fits), pasts(offer, want, 2)
    assert index(across).counts(offer, want).basis == "number-in-family"
    assert index(across, breaks=[CHANGED]).counts(offer, want) == Counts()
    assert index(across, near, breaks=[CHANGED]).counts(offer, want).plain_tries == 2
    # a machine whose build date leaves it open is on no side
    undated = side("", replace(JOB, built=None))
    assert index(across, breaks=[CHANGED]).counts(offer, undated).plain_tries == 6


def test_a_break_on_the_donors_side_parts_fittings_between_families():
    newer = side("", replace(DONOR, built=built(2015.5)))
    want = side("", JOB)
    across = pasts(side("", DONOR), want, 5)
    assert index(across).counts(newer, want).basis == "families"
    assert index(across, breaks=[CHANGED]).counts(newer, want) == Counts()


def test_a_pair_of_printed_numbers_is_the_same_on_either_side_of_a_break():
    offer = side("1111.222-01", DONOR)
    older, newer = (side("9999.222-01", replace(JOB, built=built(y))) for y in (2013, 2016))
    found = index(pasts(offer, older, 3), breaks=[CHANGED]).counts(offer, newer)
    assert found == Counts("numbers", 3.0, 3.0, 3, 3)


def test_nothing_known_nothing_counted():
    blank = side()
    assert index(pasts(blank, blank, 9)).counts(blank, blank) == Counts()
    offer = side("1111.222-01")
    assert index(pasts(offer, blank, 9)).counts(offer, blank) == Counts()


def test_numbers_count_one_way():
    offer, want = side("1111.222-01"), side("9999.222-01")
    assert index(pasts(offer, want, 2)).counts(want, offer) == Counts()


@pytest.mark.parametrize(
    ("one", "key"),
    [
        (DONOR, ("Velthane", "M2W", "4")),
        (machine("M2W 90 246 S ?"), ("Velthane", "M2W", "")),
        (machine(make=""), None),
        (machine(family=""), None),
        (Machine(), None),
    ],
)
def test_machine_key(one, key):
    assert machine_key(one) == key
