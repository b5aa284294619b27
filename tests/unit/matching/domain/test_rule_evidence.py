"""What counts speak for, what against; by hand and against counting one by one."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from donors.domain.machines import Machine
from matching.domain.outcomes import Past
from matching.domain.rule_evidence import (
    Evidence,
    PastsByNumber,
    Tally,
    contradiction,
    tally_of,
)
from matching.domain.rules import ApprovedRule
from matching.domain.sightings import Seen
from parts.domain.interchange import Edge, InterchangeGraph
from tests.unit.matching import strategies
from tests.unit.matching.building import built, machine, side
from tests.unit.reference import read

LIMITS = read("rule_proposals")
M = machine("M2W 90 246 S 4")
FIELDS = {"Velthane": frozenset({"family", "revision"}), "Borsund": frozenset()}


def evidence(pasts=(), seen=(), graph=()):
    found = Evidence(LIMITS, pattern_fields=FIELDS.get)
    found.add_pasts(pasts)
    found.add_seen(seen)
    return found.proposals(InterchangeGraph.of(graph))


def past(fits=True, number="A1", own="", of=M):
    return Past(side(number), side(own, of), fits)


def says(found):
    return [(one.says, one.basis) for one in found]


def test_the_table_is_whole():
    assert LIMITS["source"].strip()
    assert 0 < LIMITS["least_sure"] <= 1
    for kind, limits in (("fits", "fitted"), ("fits", "seen"), ("does-not-fit", "fitted")):
        assert set(LIMITS[kind][limits]) == {"least", "lower_bound"}
    assert LIMITS["grown"] > 1


@given(st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_what_is_proposed_and_flagged_against_scipy(counts):
    fits, tries = counts
    found = evidence([past(number < fits) for number in range(tries)])
    low, high = binomtest(fits, tries).proportion_ci(0.95, "wilson")
    flagged = tries - fits >= 2 and high < 0.9
    assert bool(contradiction(Tally(fits, tries), LIMITS["contradicted"])) == flagged
    expected = []  # and what would be flagged at once is not proposed
    if tries >= 8 and low >= 0.67 and not flagged:
        expected = ["fits"]
    if tries >= 4 and 1 - high >= 0.5 and not (fits >= 2 and 1 - low < 0.9):
        expected = ["does-not-fit"]
    assert [one.says for one in found] == expected


def test_what_a_proposal_states():
    (found,) = evidence([past(own="B2") for _ in range(9)])[:1]
    assert found.donor_side == {"part_numbers": ["A1"]}
    assert found.job_side == {"make": "Velthane", "family": "M2W", "fields": {"revision": "4"}}
    assert (found.weight, found.both_ways) == (9, False)
    assert found.basis == "machines|fits|A1|Velthane|M2W|4"


@pytest.mark.parametrize(
    "of",
    [
        Machine(),
        replace(M, make="Nobody"),
        replace(M, family=""),
        replace(M, fields={}),  # the make's numbers have a revision; this one was not read
        replace(M, sure=0.89),
    ],
)
def test_machines_that_are_not_known_well_enough_count_for_nothing(of):
    assert evidence([past(of=of) for _ in range(20)], [Seen("A1", of)] * 20) == []


def test_a_make_without_revisions_is_named_without():
    of = replace(M, make="Borsund", fields={})
    (found,) = evidence([past(of=of) for _ in range(8)])
    assert found.job_side == {"make": "Borsund", "family": "M2W"}


def test_dates_bound_a_rule_when_most_are_known():
    dated = [past(of=replace(M, built=built(2014))) for _ in range(4)]
    later = [past(of=replace(M, built=built(2016))) for _ in range(2)]
    open_ = [past(of=replace(M, built=None)) for _ in range(3)]
    (found,) = evidence([*dated, *later, *open_])
    assert found.job_side["built_from"] == str(built(2014).start)
    assert found.job_side["built_to"] == str(built(2016).end)
    (found,) = evidence([*dated, *open_, *open_])
    assert "built_from" not in found.job_side


def test_sightings_count_machines_not_parts():
    """A machine with two such parts, one of each number, speaks for both and is one machine."""
    both = [Seen(n, replace(M, ref=f"D-{k}"), n) for k in range(8) for n in ("A1", "B2")]
    assert says(evidence(seen=both)) == [
        ("fits", "machines|fits|A1|Velthane|M2W|4"),
        ("fits", "machines|fits|B2|Velthane|M2W|4"),
    ]
    halves = [Seen("AB"[k % 2], replace(M, ref=f"D-{k}")) for k in range(40)]
    assert evidence(seen=halves) == []


def test_pairs():
    there = [past(number="A1", own="B2", of=Machine()) for _ in range(8)]
    back = [past(number="B2", own="A1", of=Machine()) for _ in range(8)]
    assert says(evidence(there)) == [("fits", "pair|fits|A1|B2|one")]
    assert says(evidence(back)) == [("fits", "pair|fits|B2|A1|one")]
    assert says(evidence([*there, *back])) == [("fits", "pair|fits|A1|B2|both")]
    # Interchange on record says it already: A1 goes in where B2 is asked for.
    assert evidence(there, graph=[Edge("B2", "A1")]) == []
    assert says(evidence(there, graph=[Edge("A1", "B2")])) == [("fits", "pair|fits|A1|B2|one")]
    bad = [past(False, "A1", "B2", Machine()) for _ in range(4)]
    assert says(evidence(bad, graph=[Edge("B2", "A1")])) == [
        ("does-not-fit", "pair|does-not-fit|A1|B2|one")
    ]
    same = [past(number="A1", own="A1", of=Machine()) for _ in range(20)]
    assert evidence(same) == []


@given(strategies.pasts, strategies.rules)
def test_a_tally_counts_what_the_rule_certainly_speaks_of(pasts, rules):
    for rule in rules:
        spoken = [one for one in pasts if rule.share(one.offer, one.want) == 1.0]
        as_said = [one for one in spoken if one.fitted is not (rule.says == "does-not-fit")]
        tally = tally_of(rule, PastsByNumber(pasts))
        assert (tally.agree, tally.of) == (len(as_said), len(spoken))


@given(strategies.pasts, strategies.seen)
def test_what_is_proposed_holds_for_what_it_rests_on(pasts, seen):
    """Eight times over, so that there is enough: each rule certainly speaks of its evidence."""
    found = Evidence(LIMITS, pattern_fields=lambda make: frozenset({"revision"}))
    found.add_pasts(pasts * 8)
    found.add_seen(
        Seen(one.number, replace(one.machine, ref=f"D-{n}"), one.position)
        for n, one in enumerate(seen * 8)
    )
    for one in found.proposals(InterchangeGraph.of([])):
        tally = tally_of(one.stated(), PastsByNumber(pasts * 8))
        assert tally.disagree <= tally.agree or one.basis.startswith("pair")
        assert one.because
        assert isinstance(one.stated(), ApprovedRule)
        assert len(one.basis) <= 400
