"""The sequence: order enforced, nothing passes unmeasured, local codes named."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench.verdicts import OPEN, Outcome
from parts.domain.electrical_safety.sequence import OutOfOrder
from tests.unit.parts.domain.electrical_safety.rules import GOOD, RULES, entered, sequence
from workshop.domain.refusals import ValueRefused

STRONG = {"heating_kw": 5.0, "heating_connected": True}
slugs = st.sampled_from([step.slug for step in RULES.steps])
classes = st.sampled_from(["I", "II", "III"])


@pytest.mark.parametrize("protection_class", ["I", "II", "III"])
def test_a_sound_machine_passes_every_step(protection_class):
    done = entered(sequence(protection_class, cable_m=1.5))
    assert done.outcome is Outcome.PASS
    assert done.next_step is None


@pytest.mark.parametrize("protection_class", ["I", "II", "III"])
def test_nothing_entered_is_not_measured(protection_class):
    start = sequence(protection_class)
    assert start.outcome is Outcome.NOT_MEASURED
    assert {result.outcome for result in start.results} == {Outcome.NOT_MEASURED}
    assert start.next_step.slug == "visual"


def test_a_later_step_is_refused_while_an_earlier_is_open():
    with pytest.raises(OutOfOrder) as refused:
        sequence().enter("visual", True).enter("insulation", 50.0)
    assert refused.value.fields == {
        "insulation": "Insulation resistance comes after protective conductor, which is not "
        "done: do it first"
    }


def test_a_later_step_is_refused_while_an_earlier_has_failed():
    failed = sequence().enter("visual", True).enter("protective-conductor", 0.31)
    assert failed.outcome is Outcome.FAIL
    with pytest.raises(OutOfOrder, match="which failed: put it right and repeat it first"):
        failed.enter("insulation", 50.0)
    repeated = failed.enter("protective-conductor", 0.3)
    assert repeated.enter("insulation", 50.0).next_step.slug == "insulation-unearthed"


def test_not_measured_blocks_like_nothing_entered():
    with pytest.raises(OutOfOrder):
        sequence().enter("visual", None).enter("protective-conductor", 0.1)


def test_repeating_a_step_voids_the_later_ones():
    done = entered(sequence("II"))
    again = done.enter("visual", True)
    assert again.outcome is Outcome.NOT_MEASURED
    assert again.next_step.slug == "insulation"


@given(classes, st.lists(st.tuples(slugs, st.booleans()), max_size=25))
def test_in_whatever_order_people_enter(protection_class, entries):
    """A judge by hand: a step may be entered only when all before it last passed."""
    found, passed = sequence(protection_class), {}
    order = [step.slug for step in found.steps]
    for slug, good in entries:
        value = GOOD[slug] if good else None
        before = order[: order.index(slug)] if slug in order else None
        if before is None or not all(passed.get(name) for name in before):
            with pytest.raises(ValueRefused):
                found.enter(slug, value)
            continue
        found = found.enter(slug, value)
        passed = {name: passed[name] for name in before} | {slug: good}
    complete = all(passed.get(name) for name in order)
    assert (found.outcome is Outcome.PASS) is complete


def test_low_insulation_of_a_strong_heater_is_settled_by_the_current():
    """EN 50678 / DIN VDE 0701-0702: over 3.5 kW a lower reading passes if the current does."""
    low = entered(sequence("I", **STRONG), insulation=0.2)
    assert low.outcome is Outcome.PASS
    assert [r.outcome for r in low.results if r.step.slug == "insulation"] == [Outcome.DOUBTFUL]
    start = sequence("I", unearthed_metal=False, **STRONG)
    start = start.enter("visual", True).enter("protective-conductor", 0.1).enter("insulation", 0.2)
    assert start.outcome is Outcome.NOT_MEASURED  # doubtful alone is never a pass
    assert start.enter("protective-conductor-current", 5.1).outcome is Outcome.FAIL


@pytest.mark.parametrize(
    "facts",
    [
        {"heating_kw": 3.5, "heating_connected": True},
        {"heating_kw": 5.0, "heating_connected": False},
        {"heating_kw": 5.0},
        {},
    ],
)
def test_elsewhere_low_insulation_fails(facts):
    start = sequence("I", **facts).enter("visual", True).enter("protective-conductor", 0.1)
    assert start.enter("insulation", 0.2).outcome is Outcome.FAIL


@pytest.mark.parametrize(
    ("changed", "step"),
    [
        ({"visual": False}, "visual"),
        ({"protective_conductor": OPEN}, "protective-conductor"),
        ({"insulation": 0.99}, "insulation"),
        ({"insulation_unearthed": 1.99}, "insulation-unearthed"),
        ({"protective_conductor_current": 3.51}, "protective-conductor-current"),
        ({"touch_current": 0.51}, "touch-current"),
        ({"selv": 42.5}, "selv"),
        ({"function": False}, "function"),
    ],
)
def test_each_step_can_fail(changed, step):
    start = sequence()
    values = GOOD | {name.replace("_", "-"): value for name, value in changed.items()}
    for one in start.steps:
        start = start.enter(one.slug, values[one.slug])
        if one.slug == step:
            break
    assert start.outcome is Outcome.FAIL
    assert start.next_step.slug == step


def test_insulation_over_range_passes():
    assert entered(sequence("II"), insulation=OPEN).outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("slug", "entry"),
    [
        ("visual", 1.0),
        ("visual", "yes"),
        ("insulation", -1.0),
        ("insulation", float("inf")),
        ("insulation", True),
        ("insulation", "50"),
        ("touch-current", OPEN),
        ("record", "  "),
        ("record", True),
        ("record", OPEN),
        ("no-such-step", True),
        ("protective-conductor", 0.1),  # class II has none
    ],
)
def test_bad_entries_are_refused(slug, entry):
    start = sequence("II")
    for step in start.steps:
        if step.slug == slug:
            break
        start = start.enter(step.slug, GOOD[step.slug])
    with pytest.raises(ValueRefused) as refused:
        start.enter(slug, entry)
    assert not isinstance(refused.value, OutOfOrder)


def test_results_name_limit_source_and_standing():
    done = entered(sequence("I", cable_m=1.5))
    said = {result.step.slug: result.sentence for result in done.results}
    assert said["protective-conductor"].startswith(
        "Protective conductor: 0.2 ohm, within at most 0.3 ohm (limit of a standard; EN 50678"
    )
    assert said["visual"] == "Visual inspection: passed."
    assert said["record"] == "Record: A. Tester answers for it."
    assert all(result.step.source for result in done.results)


def test_it_defers_to_local_codes_and_a_competent_person():
    said = " ".join(sequence().cautions)
    assert "competent person" in said
    assert "Local codes" in said
