"""Every level of every evidence: a case that gives it, its bits and what its sentence says.

The expected bits are worked out here from fixtures/reference/evidence.json (common practice) and
a share written beside each case; they are not read back from the engine.
"""

import math
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import pytest
from scipy import stats

from donors.domain.machines import Machine
from matching.domain.knowledge import Knowledge
from matching.domain.known_breaks import BreakIndex, KnownBreak, Scope
from matching.domain.rules import ApprovedRule
from matching.domain.scoring import score
from matching.domain.sides import Row, Side
from parts.domain.interchange import Edge
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
from workshop.domain.intervals import Interval

N1, N2, OTHER = "1111.222-01", "1111.222-02", "9999.333-01"
UNCONFIRMED = machine(ref="D-0001", sure=0.5)


@dataclass(frozen=True)
class Case:
    """One case. share: what the table's bits are multiplied by. says: words of the sentence."""

    evidence: str
    level: str
    offer: Side
    want: Side
    says: tuple[str, ...]
    share: float = 1.0
    edges: tuple[Edge, ...] = ()
    breaks: tuple[KnownBreak, ...] = ()


def row_of(case: Case, fit_class: str, known: Knowledge | None = None) -> Row:
    known = known or knowledge(kind(fit_class), edges=case.edges)
    known.breaks = BreakIndex.of(case.breaks)
    [row] = [r for r in score(case.offer, case.want, known).rows if r.evidence == case.evidence]
    return row


TABLE_NAMES = {
    "part number": "number",
    "model": "model",
    "build date": "build",
    "attributes": "attributes",
}
M = machine()
CHANGED = KnownBreak(
    Scope("Velthane", "M2W"), Interval(date(2015, 3, 1), date(2015, 8, 31)), ("OLD1",), ("NEW1",)
)

CASES = [
    Case(
        "build date",
        "across-break",
        side(of=machine(built=built(2013))),
        side(of=machine("M2W 60 247 W 2", built=built(2018))),
        (
            "Across a known change in Velthane M2W (2015-03-01 to 2015-08-31)",
            "the donor is older and the job newer",
            "newer builds carry NEW1, older ones OLD1",
        ),
        breaks=(CHANGED,),
    ),
    Case(
        "build date",
        "across-break",
        side(of=machine(built=built(2018))),
        side(of=machine(built=built(2013))),
        ("the donor is newer and the job older",),
        edges=(Edge("NEW1", "OLD1"),),  # the old one serves for the new one, not the reverse
        breaks=(CHANGED,),
    ),
    Case(
        "build date",
        "no-break",
        side(of=machine(built=built(2018))),
        side(of=machine(built=built(2013))),
        ("No known change lies between",),
        edges=(Edge("OLD1", "NEW1"),),
        breaks=(CHANGED,),
    ),
    Case(
        "build date",
        "no-break",
        side(of=machine(built=built(2016))),
        side(of=machine(built=built(2019))),
        ("No known change lies between",),
        breaks=(CHANGED,),
    ),
    Case(
        "build date",
        "far-apart",  # on which side the older one lies is open
        side(of=machine(built=built(2015, 200))),
        side(of=machine(built=built(2019))),
        ("a change between is likely",),
        breaks=(CHANGED,),
    ),
    Case("part number", "unknown", side(), side(), ("Neither part number is known",)),
    Case("part number", "unknown", side(), side(N1), ("offered part's number is not known",)),
    Case("part number", "unknown", side(N1), side(), ("job's own part is not known",)),
    Case("part number", "same", side(N1), side("1111 222 01"), ("Same part number", N1)),
    Case(
        "part number",
        "interchange",
        side(OTHER),
        side(N1),
        ("Interchange on record", "111122201 > 555533301 > 999933301"),
        edges=(Edge("111122201", "555533301"), Edge("555533301", "999933301")),
    ),
    Case(
        "part number",
        "one-confusable-apart",
        side(N1),
        side("1111.Z22-01"),
        (N1, "1111.Z22-01", "easily misread", "read both again"),
    ),
    Case("part number", "same-stem", side(N1), side(N2), (N1, N2, "share their stem", "index")),
    Case(
        "part number",
        "other-make-number",
        side(N1, machine()),
        side(OTHER, machine(make="Borsund")),
        (N1, OTHER, "numbers of two makes"),
    ),
    Case("part number", "different", side(N1), side(OTHER), ("Different part numbers", N1, OTHER)),
    Case("model", "unknown", side(of=M), side(), ("cannot be compared",)),
    Case("model", "same", side(of=M), side(of=M), ("Same model: Velthane M2W90246S4",)),
    Case(
        "model",
        "immaterial",
        side(of=M),
        side(of=machine("M2W 60 246 W 4")),
        ("does not matter for this kind", "colour, size"),
    ),
    Case(
        "model",
        "same-revision",
        side(of=M),
        side(of=machine("M2W 90 247 S 4")),
        ("Same family and revision", "series differs"),
    ),
    Case(
        "model",
        "same-family",
        side(of=M),
        side(of=machine("M2W 90 246 S ?")),
        ("Same family (M2W)", "revision not compared"),
    ),
    Case(
        "model",
        "other-revision",
        side(of=M),
        side(of=machine("M2W 90 246 S 3")),
        ("Same family (M2W)", "other revision: 4 and 3"),
    ),
    Case(
        "model",
        "alike",
        side(of=Machine(make="Velthane", number="M2W90246S4")),
        side(of=Machine(make="Velthane", number="M2W90246W4")),
        ("read alike", "M2W90246S4 and M2W90246W4"),
    ),
    Case(
        "model",
        "same-beginning",
        side(of=Machine(make="Velthane", number="M2W90246S4")),
        side(of=Machine(make="Velthane", number="M2W61170C")),
        ("begin alike", "M2W90246S4 and M2W61170C"),
    ),
    Case(
        "model",
        "unlike",
        side(of=Machine(make="Velthane", number="M2W90246S4")),
        side(of=Machine(make="Velthane", number="QX7711KB")),
        ("little in common", "M2W90246S4 and QX7711KB"),
    ),
    Case(
        "model",
        "other-family",
        side(of=M),
        side(of=machine("H3C 90 246 S 4")),
        ("Other family: M2W and H3C",),
    ),
    Case(
        "model",
        "unsure-other-family",
        side(of=M),
        side(of=machine("H3C 90 246 S 4", sure=0.75)),
        ("Perhaps another family", "M2W and H3C"),
        share=0.75,
    ),
    Case(
        "model",
        "other-make",
        side(of=M),
        side(of=machine(make="Borsund")),
        ("Other make: Velthane and Borsund",),
    ),
    Case(
        "model",
        "other-appliance",
        side(of=M),
        side(of=machine(appliance="dishwasher")),
        ("another kind of appliance",),
    ),
    # what is printed leaves the model little to say
    Case("model", "same", side(N1, M), side(N1, M), ("Same model",), share=0.1),
    Case("model", "same", side(N1, M), side(OTHER, M), ("Same model",), share=0.35),
    Case(
        "model",
        "other-appliance",
        side(N1, M),
        side(N1, machine(appliance="dishwasher")),
        ("another kind of appliance",),
        share=1.0,
    ),
    # a recognition nobody confirmed counts for its certainty, and is named
    Case(
        "model",
        "same",
        side(of=UNCONFIRMED),
        side(of=M),
        ("Same model", "The model of D-0001 is not confirmed"),
        share=0.5,
    ),
    Case("build date", "unknown", side(of=M), side(of=M), ("of either machine is not known",)),
    Case(
        "build date",
        "unknown",
        side(of=M),
        side(of=machine(built=built(2014))),
        ("build date of the donor is not known",),
    ),
    Case(
        "build date",
        "unknown",
        side(of=machine(built=built(2014))),
        side(of=M),
        ("build date of the job is not known",),
    ),
    Case(
        "build date",
        "near",
        side(of=machine(built=built(2014))),
        side(of=machine(built=built(2014.3))),
        ("at about the same time", "no known change"),
    ),
    Case(
        "build date",
        "apart",
        side(of=machine(built=built(2014, 0))),
        side(of=machine(built=built(2015, 0))),
        ("12 months apart", "no known change"),
    ),
    Case(
        "build date",
        "far-apart",
        side(of=machine(built=built(2014, 0))),
        side(of=machine(built=built(2018, 0))),
        ("4.0 years apart", "a change between is likely"),
    ),
    Case(
        "build date",
        "near",
        side(N1, machine(built=built(2014))),
        side(N1, machine(built=built(2014))),
        ("at about the same time",),
        share=0.1,
    ),
    Case(
        "build date",
        "near",
        side(of=machine(built=built(2014))),
        side(of=machine("H3C 1 1 S 1", built=built(2014))),
        ("at about the same time",),
        share=0.0,  # of another family the year says nothing
    ),
    Case("attributes", "unknown", side(mount="a"), side(), ("No attribute is known on both",)),
    Case(
        "attributes",
        "agrees",
        side(mount="3-lug"),
        side(mount="3-lug"),
        ("Agrees in mount",),
    ),
    Case(
        "attributes",
        "agrees",
        side(mount="a", connector="b", colour="c", output="d", power_w="30"),
        side(mount="a", connector="b", colour="c", output="d", power_w="30"),
        ("Agrees in colour, connector, mount, output, power w",),
        share=4,  # five agree, four are counted
    ),
    Case(
        "attributes",
        "agrees",
        side(N1, mount="3-lug"),
        side(N1, mount="3-lug"),
        ("Agrees in mount",),
        share=0.1,
    ),
    Case(
        "attributes",
        "agrees",
        side(voltage_v="230"),
        side(voltage_v="230"),
        ("Agrees in voltage v",),
        share=0.0,  # nearly every part of the kind shares it
    ),
    Case(
        "attributes",
        "within-tolerance",
        side(power_w="32"),
        side(power_w="30"),
        ("Agrees in power w",),
    ),
    Case(
        "attributes",
        "conflict",
        side(mount="3-lug"),
        side(mount="4-lug"),
        ("Conflict: mount 3-lug against 4-lug",),
    ),
    Case(
        "attributes",
        "conflict",
        side(mount="3-lug", power_w="30", connector="a"),
        side(mount="4-lug", power_w="60", connector="a"),
        ("mount 3-lug against 4-lug", "power w 30 against 60"),
        share=2,
    ),
    Case(
        "attributes",
        "conflict",
        side(N1, mount="3-lug"),
        side(N1, mount="4-lug"),
        ("Conflict",),
        share=1.0,  # the same number does not talk a conflict away
    ),
    Case(
        "attributes",
        "conflict",
        side(position="wash"),
        side(position="rinse"),
        ("position wash against rinse",),
    ),
]


@pytest.mark.parametrize("fit_class", CLASSES)
@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.evidence}-{case.level}")
def test_levels_of_the_table(case, fit_class):
    row = row_of(case, fit_class)
    column = CLASSES.index(fit_class)
    levels = {"unknown": [0, 0, 0, 0], **TABLE[TABLE_NAMES[case.evidence]]}
    bits = levels[case.level][column] * case.share
    assert row.level == case.level
    assert row.bits == pytest.approx(bits)
    for words in case.says:
        assert words in row.sentence
    if case.level == "unknown":
        assert row.bits == 0


def test_no_level_of_the_table_is_left_out():
    for evidence, name in TABLE_NAMES.items():
        levels = {"unknown", *TABLE[name]} - {"most_counted"}
        assert {case.level for case in CASES if case.evidence == evidence} == levels


@pytest.mark.parametrize(
    ("fit_class", "words"),
    [
        ("exact-only", "match by number and index"),
        ("spec-match", "mount, ratings and connector"),
        ("measured-match", "measured size"),
        ("cosmetic", "family and colour"),
    ],
)
def test_the_start_is_the_prior_of_the_class(fit_class, words):
    row = score(side(), side(), knowledge(kind(fit_class))).rows[0]
    assert (row.evidence, row.level, row.bits) == ("start", fit_class, TABLE["prior"][fit_class])
    assert words in row.sentence


# Sightings -----------------------------------------------------------------------------------

ERA = built(2014)


def at(text: str = "M2W 90 246 S 4", **changes: Any) -> Machine:
    return machine(text, built=ERA, **changes)


def sightings_row(offer: Side, want: Side, known: Knowledge) -> tuple[Row, float]:
    """Return the sightings row and the bits of the rows before it."""
    rows = score(offer, want, known).rows
    place = [row.evidence for row in rows].index("sightings")
    return rows[place], sum(row.bits for row in rows[:place])


def expected_shift(bits: float, hits: float, tries: float, strength: float) -> float:
    """Return the move to the posterior mean, by scipy's Beta."""
    p = 1 / (1 + 2**-bits)
    mean = stats.beta(strength * p + hits, strength * (1 - p) + tries - hits).mean()
    return math.log2(mean / (1 - mean)) - bits


CLOSE = TABLE["sightings"]["closeness"]
STRENGTH = TABLE["sightings"]["strength"]
SEEN_LEVELS = [
    # where the wanted number was seen, seen from the donor; the level; what one sighting weighs
    ("same", at(), 1.0),
    ("immaterial", at("M2W 60 246 W 4"), 1.0),
    ("same-revision", at("M2W 90 247 S 4"), CLOSE["same-revision"]),
    ("same-family", at("M2W 90 246 S ?"), CLOSE["same-family"]),
    ("other-revision", at("M2W 90 246 S 3"), CLOSE["other-revision"]),
    ("alike", at("M2W 90 246 W 4", sure=0.25), CLOSE["alike"] * 0.25),
]


@pytest.mark.parametrize(("level", "where", "weight"), SEEN_LEVELS)
@pytest.mark.parametrize("times", [1, 4])
def test_the_wanted_number_was_seen_in_such_a_machine(level, where, weight, times):
    """The part bears no number; others of its kind were seen with the wanted one."""
    known = knowledge(seen=seen("111122201", where, times))
    offer, want = side(of=at()), side(N1, Machine())
    row, before = sightings_row(offer, want, known)
    hits = weight * times
    assert row.level == level
    assert row.bits == pytest.approx(expected_shift(before, hits, hits, STRENGTH), abs=1e-4)
    assert row.bits > 0
    assert row.sentence == (
        "111122201 among the numbers seen in such machines as the donor: "
        f"100 % of what was seen agrees (weight {hits:.1f})."
    )


def test_a_level_for_each_closeness():
    assert [level for level, _, _ in SEEN_LEVELS] == list(CLOSE)


@pytest.mark.parametrize(
    ("offer", "want", "words"),
    [
        (side(OTHER, at(ref="D-1")), side(of=at()), "999933301 among the numbers seen in such"),
        (side(of=at()), side(OTHER, at(ref="J-1")), "999933301 among the numbers seen in such"),
    ],
)
def test_never_seen_there(offer, want, words):
    known = knowledge(seen=seen("111122201", at(), 6))
    row, before = sightings_row(offer, want, known)
    assert row.level == "never"
    assert row.bits == pytest.approx(expected_shift(before, 0, 6, STRENGTH), abs=1e-4)
    assert row.bits < 0
    assert words in row.sentence
    assert "0 % of what was seen agrees" in row.sentence


@pytest.mark.parametrize("turned", [False, True])
def test_what_is_printed_on_a_machine_not_on_record_was_seen_there(turned):
    """One sighting of the other number against three: 1 of 4, whichever side is printed."""
    known = knowledge(seen=seen("111122201", at(), 3))
    sides = (side(OTHER, at()), side(of=at()))
    row, before = sightings_row(*(reversed(sides) if turned else sides), known)
    assert row.level == "same"
    assert row.bits == pytest.approx(expected_shift(before, 1, 4, STRENGTH), abs=1e-4)
    assert "25 % of what was seen agrees (weight 4.0)" in row.sentence


def test_a_printed_number_alone_is_no_sighting():
    """Where nothing else was seen, the model says it all; the same fact must not count twice."""
    row, _ = sightings_row(side(OTHER, at()), side(of=at()), knowledge())
    assert (row.level, row.bits) == ("unknown", 0.0)


def test_neither_bears_a_number_and_both_were_seen():
    known = knowledge(seen=seen("111122201", at(), 4) + seen("999933301", at(), 1))
    row, before = sightings_row(side(of=at()), side(of=at()), known)
    share = 0.8**2 + 0.2**2
    assert row.level == "same"
    assert row.bits == pytest.approx(expected_shift(before, share * 5, 5, STRENGTH), abs=1e-4)
    assert "Numbers seen in machines like the donor (111122201 most)" in row.sentence
    assert "like the job (111122201 most): 68 %" in row.sentence
    assert (row.offered, row.wanted) == ("111122201", "111122201")


@pytest.mark.parametrize(
    ("offer", "want", "level", "words"),
    [
        (side(N1, at()), side(N1, at()), "not-needed", "adds nothing"),
        (side("1111.Z22-01", at()), side(N1, at()), "not-needed", "adds nothing"),
        (side(N2, at()), side(N1, at()), "not-needed", "adds nothing"),
        (side(OTHER, at()), side(N1, at()), "unknown", "No sightings say"),  # both are printed
        (side(of=at()), side(), "unknown", "No sightings say"),
        (side(of=at()), side(of=at("H3C 1 1 S 1")), "unknown", "No sightings say"),
        (side(of=at()), side(OTHER, at(make="Borsund")), "unknown", "No sightings say"),
    ],
)
def test_sightings_stand_aside(offer, want, level, words):
    known = knowledge(seen=seen("111122201", at(), 20) + seen("999933301", at("X9X 1 1 S 1"), 3))
    row, _ = sightings_row(offer, want, known)
    assert (row.level, row.bits) == (level, 0.0)
    assert words in row.sentence


# Past fittings -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("basis", "offer", "want", "past_offer", "past_want", "words"),
    [
        ("numbers", side(OTHER), side(N1), side(OTHER), side(N1), "this number for that number"),
        (
            "number-in-family",
            side(OTHER),
            side(of=at()),
            side(OTHER),
            side(of=at("M2W 60 111 W 4")),
            "this number in such a machine",
        ),
        (
            "families",
            side(of=at("M2W 90 246 S 3")),
            side(of=at()),
            side(of=at("M2W 60 111 W 3")),
            side(of=at("M2W 60 111 W 4")),
            "a part from such a machine in such a machine",
        ),
    ],
)
@pytest.mark.parametrize(("fits", "misses"), [(3, 0), (0, 3), (5, 2)])
def test_past_fittings(basis, offer, want, past_offer, past_want, words, fits, misses):
    known = knowledge(pasts=pasts(past_offer, past_want, fits, misses))
    rows = score(offer, want, known).rows
    place = [row.evidence for row in rows].index("past fittings")
    row, before = rows[place], sum(row.bits for row in rows[:place])
    strength = TABLE["outcomes"]["strength"][basis]
    assert row.level == basis
    expected = expected_shift(before, fits, fits + misses, strength)
    assert row.bits == pytest.approx(expected, abs=1e-4)
    assert row.sentence == f"Past fittings of {words}: {fits} of {fits + misses} fitted."


def test_no_past_fitting():
    [row] = [r for r in score(side(), side(), knowledge()).rows if r.evidence == "past fittings"]
    assert (row.level, row.bits, row.sentence) == ("unknown", 0.0, "No past fitting like this one.")


def test_each_distance_of_the_table_is_tried():
    assert set(TABLE["outcomes"]["strength"]) == {"numbers", "number-in-family", "families"}


# Rules ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("says", "bits", "words"),
    [
        ("fits", TABLE["rule"]["fits"], "Approved rule 7: fits."),
        (
            "fits-with-conditions",
            TABLE["rule"]["fits-with-conditions"],
            "Approved rule 7: fits with conditions: move the bracket.",
        ),
        ("does-not-fit", TABLE["hard_stop"], "Approved rule 7: does not fit."),
    ],
)
def test_an_approved_rule(says, bits, words):
    rule = ApprovedRule(7, says, {"family": "M2W"}, {}, conditions="move the bracket")
    row = score(side(of=M), side(of=M), knowledge(rules=[rule])).rows[-1]
    assert (row.evidence, row.level, row.bits, row.sentence) == ("rule", says, bits, words)


@pytest.mark.parametrize("says", ["fits", "fits-with-conditions", "does-not-fit"])
@pytest.mark.parametrize("built_from", ["2014-01-01", "2014-01-16", "2014-01-31", "2014-02-01"])
def test_a_rule_that_covers_part_of_the_build_interval(says, built_from):
    """The odds are the mean of both cases by the days in each: scored apart, then mixed."""
    rule = ApprovedRule(7, says, {"built_from": built_from}, {}, conditions="move the bracket")
    offer, want = side(of=replace(M, built=built(2014))), side(of=M)
    found = score(offer, want, knowledge(rules=[rule]))
    days = [date(2014, 1, day + 1) for day in range(31)]
    chances = [
        score(
            replace(offer, machine=replace(offer.machine, built=Interval(day, day))),
            want,
            knowledge(rules=[rule]),
        )
        for day in (days[0], days[-1])
    ]
    without = score(offer, want, knowledge())
    certain = score(offer, want, knowledge(rules=[replace(rule, donor_side={})]))
    share = sum(str(day) >= built_from for day in days) / 31
    expected = share * certain.p_fit + (1 - share) * without.p_fit
    assert found.p_fit == pytest.approx(expected, abs=1e-9)
    if 0 < share < 1:
        assert not found.stopped
        assert found.verdict == ("check-first" if says == "does-not-fit" else found.verdict)
        assert found.verdict != "known-to-fit"
        assert f"covers {100 * share:.0f} % of the time" in found.rows[-1].sentence
        assert {one.stopped for one in chances} == {False, says == "does-not-fit"}


def test_a_refusal_by_build_date_asks_for_a_date_that_is_not_known():
    rule = ApprovedRule(7, "does-not-fit", {"built_from": "2014-01-16"}, {})
    number = side("1111.222-01", of=replace(M, built=None))
    found = score(number, number, knowledge(rules=[rule]))
    without = score(number, number, knowledge())
    assert (without.verdict, found.verdict) == ("same-part", "check-first")
    assert found.p_fit == pytest.approx(without.p_fit)
    assert found.rows[-1].sentence == (
        "Approved rule 7 goes by build date, which is not known. Read the build date; "
        "if the rule covers it: does not fit."
    )


def test_no_rule():
    rule = ApprovedRule(7, "does-not-fit", {"family": "H3C"}, {})
    row = score(side(of=M), side(of=M), knowledge(rules=[rule])).rows[-1]
    assert (row.level, row.bits) == ("none", 0.0)
    assert row.sentence == "No approved rule covers this pair."


def test_a_kind_that_is_never_reused():
    hose = kind(name="Inlet hose", reuse="never", reuse_advice="Fit a new one.")
    row = score(side(N1, M), side(N1, M), knowledge(hose)).rows[-1]
    assert (row.evidence, row.level, row.bits) == ("reuse", "never", TABLE["hard_stop"])
    assert row.sentence == "Inlet hose is never reused. Fit a new one."
    unnamed = replace(hose, name="", reuse_advice="")
    assert score(side(), side(), knowledge(unnamed)).rows[-1].sentence == (
        "control-board is never reused."
    )


def test_a_hard_conflict():
    row = score(side(voltage_v="120"), side(voltage_v="230"), knowledge()).rows[-1]
    assert (row.evidence, row.level, row.bits) == ("attributes", "conflict", TABLE["hard_stop"])
    assert (row.offered, row.wanted) == ("120", "230")
    assert row.sentence == (
        "Conflict in voltage v: the part has 120, the job needs 230. It must not be fitted."
    )
