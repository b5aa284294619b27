"""The score is the sum of its explanation, and what the whole of it promises."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from donors.domain.machines import Machine
from matching.domain.rules import ApprovedRule
from matching.domain.scoring import Score, score
from matching.domain.verdicts import Verdict
from parts.domain.interchange import Edge
from tests.unit.matching import strategies
from tests.unit.matching.building import (
    CLASSES,
    TABLE,
    built,
    kind,
    knowledge,
    machine,
    pasts,
    seen,
    side,
)

ORDER = [
    "start",
    "part number",
    "model",
    "build date",
    "attributes",
    "noted elsewhere",
    "sightings",
    "past fittings",
    "rule",
]
SILENT = {"unknown", "not-needed", "none"}
N1, N2, OTHER = "1111.222-01", "1111.222-02", "9999.333-01"
LIMITS = TABLE["verdicts"]


def bits_of(found: Score) -> dict[str, float]:
    return {row.evidence: row.bits for row in found.rows}


any_knowledge = st.builds(
    lambda fit_class, reuse, edges, rules, seen, pasts: knowledge(
        kind(fit_class, reuse=reuse), edges=edges, rules=rules, seen=seen, pasts=pasts
    ),
    st.sampled_from(CLASSES),
    st.sampled_from(["good", "good", "good", "never"]),
    strategies.edges,
    strategies.rules,
    strategies.seen,
    strategies.pasts,
)


@settings(max_examples=300)
@given(strategies.sides, strategies.sides, any_knowledge)
def test_rows_sum_to_the_score(offer, want, known):
    found = score(offer, want, known)
    total = 0.0
    for row in found.rows:
        total += row.bits
    assert found.bits == total
    assert math.isfinite(found.bits)
    assert found.p_fit == pytest.approx(1 / (1 + 2 ** -max(-40.0, min(40.0, total))))
    evidence = [row.evidence for row in found.rows]
    expected = ["start", "reuse"] if known.kind.never_reused else ORDER
    assert evidence == expected[: len(evidence)]
    assert found.stopped or evidence == ORDER
    for row in found.rows:
        assert row.sentence.endswith((".", ".)"))
        assert row.level
        if row.level in SILENT:
            assert row.bits == 0.0


@settings(max_examples=250)
@given(strategies.sides, strategies.sides, any_knowledge)
def test_verdicts_keep_their_word(offer, want, known):
    found = score(offer, want, known)
    levels = {row.evidence: row.level for row in found.rows}
    p = found.p_fit
    if found.stopped or p < LIMITS["check"]:
        assert found.verdict is Verdict.DOES_NOT_FIT
    elif p < LIMITS["likely"]:
        assert found.verdict is Verdict.CHECK_FIRST
    else:
        assert found.verdict.counts_as_fit
    if found.verdict in {Verdict.SAME_PART, Verdict.KNOWN_TO_FIT}:
        assert p >= LIMITS["known"]
        assert levels["rule"] != "fits-with-conditions"
    if found.verdict is Verdict.SAME_PART:
        assert levels["part number"] == "same"
    if found.stopped:
        assert p < 1e-6


@given(strategies.sides, strategies.sides, any_knowledge)
def test_pure(offer, want, known):
    """The same question gives the same answer, whatever was asked in between."""
    once = score(offer, want, known)
    score(want, offer, known)
    assert score(offer, want, known) == once


M = machine(built=built(2014))


@pytest.mark.parametrize(
    ("of_kind", "offer", "want", "rules"),
    [
        (kind(), side(N1, M, voltage_v="120"), side(N1, M, voltage_v="230"), []),
        (kind(reuse="never"), side(N1, M), side(N1, M), []),
        (kind(), side(N1, M), side(N1, M), [ApprovedRule(1, "does-not-fit", {"family": "M2W"})]),
        (
            kind(),
            side(N1, M),
            side(N1, M),
            [ApprovedRule(1, "fits"), ApprovedRule(2, "does-not-fit")],
        ),
    ],
)
@pytest.mark.parametrize("fit_class", CLASSES)
def test_hard_stops_outweigh_everything_else(of_kind, offer, want, rules, fit_class):
    """Same number, same machine and a hundred good fittings do not help."""
    known = knowledge(
        replace(of_kind, fit_class=fit_class),
        rules=rules,
        seen=seen("111122201", M, 50),
        pasts=pasts(offer, want, 100),
    )
    found = score(offer, want, known)
    assert found.stopped
    assert found.verdict is Verdict.DOES_NOT_FIT
    assert found.p_fit < 1e-6
    assert found.rows[-1].bits == TABLE["hard_stop"]


@pytest.mark.parametrize("fit_class", CLASSES)
def test_a_soft_conflict_is_no_stop(fit_class):
    found = score(side(N1, M, mount="a"), side(N1, M, mount="b"), knowledge(kind(fit_class)))
    assert not found.stopped


@pytest.mark.parametrize("fit_class", CLASSES)
def test_same_number_makes_the_model_nearly_idle(fit_class):
    """Correlated evidence must not count twice: the model moves a tenth of what it would."""
    known = knowledge(kind(fit_class))
    alone = bits_of(score(side(of=M), side(of=M), known))
    beside = bits_of(score(side(N1, M), side(N1, M), known))
    assert beside["model"] == pytest.approx(0.1 * alone["model"])
    assert beside["build date"] == pytest.approx(0.1 * alone["build date"])
    assert beside["part number"] > 5 * beside["model"]


@pytest.mark.parametrize(
    ("offered", "wanted", "edges"),
    [
        (N1, N1, []),
        (OTHER, N1, [Edge("111122201", "999933301")]),
        ("1111.Z22-01", N1, []),
    ],
)
def test_sightings_are_idle_when_the_numbers_agree(offered, wanted, edges):
    offer, want = side(offered, M), side(wanted, M)
    without = score(offer, want, knowledge(edges=edges))
    with_sightings = score(
        offer, want, knowledge(edges=edges, seen=seen("111122201", M, 30) + seen("5", M, 30))
    )
    assert bits_of(with_sightings)["sightings"] == 0.0
    assert with_sightings.bits == without.bits


def test_many_fittings_that_repeat_what_is_known_hardly_move():
    """100 of 100 after the same number: the odds are near that already."""
    offer, want = side(N1, M), side(N1, M)
    found = bits_of(score(offer, want, knowledge(pasts=pasts(offer, want, 3))))
    blank = bits_of(score(side(of=M), side(of=M), knowledge(pasts=pasts(offer, want, 3))))
    assert 0 < found["past fittings"] < found["part number"]
    assert blank["past fittings"] > 0


@pytest.mark.parametrize("fit_class", CLASSES)
def test_two_blank_machines_are_unknown_not_same(fit_class):
    found = score(side(of=Machine()), side(of=Machine()), knowledge(kind(fit_class)))
    assert found.bits == TABLE["prior"][fit_class]
    assert {row.level for row in found.rows[1:]} == {"unknown", "none"}
    assert found.verdict is Verdict.CHECK_FIRST


@given(strategies.sides, any_knowledge)
def test_an_unread_plate_is_never_held_against_a_part(offer, known):
    """Blank on the job's side: nothing but rules and reuse can lower the odds below the prior."""
    found = score(offer, side(of=Machine()), known)
    lowered = {row.evidence for row in found.rows[1:] if row.bits < 0}
    assert lowered <= {"rule", "reuse"}


@pytest.mark.parametrize(
    ("offer", "want", "known", "verdict"),
    [
        (side(N1, M), side(N1, M), knowledge(), Verdict.SAME_PART),
        (side(N1), side(N1), knowledge(), Verdict.SAME_PART),
        (
            side(OTHER),
            side(N1),
            knowledge(edges=[Edge("111122201", "999933301")]),
            Verdict.KNOWN_TO_FIT,
        ),
        (
            side(of=M),
            side(of=M),
            knowledge(rules=[ApprovedRule(1, "fits", {}, {})]),
            Verdict.KNOWN_TO_FIT,
        ),
        (
            side(of=M),
            side(of=M),
            knowledge(rules=[ApprovedRule(1, "fits-with-conditions")]),
            Verdict.LIKELY_FITS,
        ),
        (
            side(OTHER, M),
            side(of=M),
            knowledge(pasts=pasts(side(OTHER, M), side(of=M), 5)),
            Verdict.KNOWN_TO_FIT,
        ),
        (
            side(of=M),
            side(of=M),  # the same, but by family only: proved of such machines, not of a number
            knowledge(pasts=pasts(side(OTHER, M), side(of=M), 5)),
            Verdict.LIKELY_FITS,
        ),
        (
            side(OTHER),
            side(N1),  # unlike numbers, proved for one another by thirty fittings
            knowledge(pasts=pasts(side(OTHER), side(N1), 30)),
            Verdict.KNOWN_TO_FIT,
        ),
        (side(of=M), side(of=M), knowledge(), Verdict.LIKELY_FITS),
        (side(), side(), knowledge(), Verdict.CHECK_FIRST),
        (side(of=M), side(of=machine("M2W 90 246 S 3")), knowledge(), Verdict.CHECK_FIRST),
        (side(of=M), side(of=machine("H3C 1 1 S 1")), knowledge(), Verdict.DOES_NOT_FIT),
        (side(N1, M), side(OTHER, machine("H3C 1 1 S 1")), knowledge(), Verdict.DOES_NOT_FIT),
    ],
)
def test_verdicts(offer, want, known, verdict):
    assert score(offer, want, known).verdict is verdict


def test_a_plain_pair_worked_by_hand():
    """exact-only: -1.2 to start, same number +7.5, same model 5.0 x 0.1, near 1.5 x 0.1."""
    found = score(side(N1, M), side(N1, M), knowledge())
    assert found.bits == pytest.approx(-1.2 + 7.5 + 0.5 + 0.15)
    assert found.p_fit == pytest.approx(2**6.95 / (1 + 2**6.95))


def test_knowing_more_that_speaks_for_it_never_lowers_the_odds():
    wants = [side(), side(of=M), side(N1, M)]
    offers = [side(), side(of=M), side(N1, M)]
    scores = [score(o, w, knowledge()).bits for o, w in zip(offers, wants, strict=True)]
    assert scores == sorted(scores)


def test_a_part_tried_for_this_very_need_before_stops_the_score():
    offer, want = replace(side(N1, machine()), row=1), replace(side(N1, machine()), row=2)
    known = knowledge(pasts=pasts(offer, want, 5, 1))
    found = score(offer, want, known)
    last = found.rows[-1]
    assert found.stopped
    assert found.verdict is Verdict.DOES_NOT_FIT
    assert (last.evidence, last.level) == ("past fittings", "did-not-fit-here")
    for other in (replace(offer, row=3), replace(offer, row=None)):
        assert not score(other, want, known).stopped
