"""Limits of EN 50678 / DIN VDE 0701-0702 as testers' manuals print them (check-values 2.1)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench.limits import Standing
from parts.domain.electrical_safety import rules
from parts.domain.electrical_safety.rules import Machine, ProtectionClass
from tests.unit.parts.domain.electrical_safety.rules import RULES, sequence
from tests.unit.published import rows
from workshop.domain.refusals import ValueRefused

CURRENTS = dict(rows("leakage_currents"))
STEP = {step.slug: step for step in RULES.steps}


def limit(slug, protection_class="I", **facts):
    return RULES.limit_of(STEP[slug], Machine(ProtectionClass(protection_class), **facts))


@pytest.mark.parametrize(("cable_m", "ohm"), rows("protective_conductor"))
def test_protective_conductor_at_the_published_steps(cable_m, ohm):
    found = limit("protective-conductor", cable_m=cable_m)
    assert found.high == pytest.approx(ohm)
    assert found.standing is Standing.STANDARD


@given(st.floats(0, 100), st.floats(0, 100), st.floats(0.5, 10))
def test_a_longer_cable_never_has_a_lower_limit(one, other, mm2):
    short, long = sorted((one, other))
    for thickness in (1.5, mm2):
        found = [
            limit("protective-conductor", cable_m=m, cable_mm2=thickness).high
            for m in (short, long)
        ]
        assert 0.1 <= found[0] <= found[1] <= 1.0


@pytest.mark.parametrize(("cable_m", "mm2", "ohm"), rows("conductor_resistance"))
def test_contacts_and_conductor(cable_m, mm2, ohm):
    """An in-service code of practice prints 0.16 for 3 m of 1.0 mm²."""
    assert rules.thick_conductor_ohm(cable_m, mm2, RULES.conductor) == pytest.approx(ohm)


def test_a_thick_cable_has_a_computed_limit_and_says_so():
    found = limit("protective-conductor", cable_m=5, cable_mm2=2.5)
    assert found.high == pytest.approx(0.1 + 0.0195 * 5 / 2.5)
    assert found.standing is Standing.DERIVED


@pytest.mark.parametrize(("case", "mohm"), rows("insulation"))
def test_insulation_by_class(case, mohm):
    facts = {"heating_kw": 2.0, "heating_connected": True} if case == "I_heating" else {}
    found = limit("insulation", case.removesuffix("_heating"), **facts)
    assert found.low == pytest.approx(mohm)
    assert found.standing is Standing.STANDARD


def test_unearthed_metal_of_class_i_counts_as_class_ii():
    assert RULES.limit_of(STEP["insulation-unearthed"], Machine(ProtectionClass("I"))).low == 2.0


@pytest.mark.parametrize(
    ("heating_kw", "ma"),
    [
        (None, CURRENTS["pe_current_ma"]),
        (3.5, CURRENTS["pe_current_ma"]),
        (4.0, 4.0 * CURRENTS["pe_current_heating_over_3k5_ma_per_kw"]),
        (9.9, 9.9 * CURRENTS["pe_current_heating_over_3k5_ma_per_kw"]),
        (12.0, CURRENTS["pe_current_heating_max_ma"]),
    ],
)
def test_protective_conductor_current(heating_kw, ma):
    assert limit("protective-conductor-current", heating_kw=heating_kw).high == pytest.approx(ma)


def test_touch_current_and_selv():
    """Touch current: the same tester instruction. SELV: IEC 60335-1 cl. 8.1.4, 42.4 V peak."""
    assert limit("touch-current", "II").high == CURRENTS["touch_ma"]
    assert limit("selv", "III").high == 42.4


@pytest.mark.parametrize(
    ("protection_class", "steps"),
    [
        (
            "I",
            "visual protective-conductor insulation insulation-unearthed "
            "protective-conductor-current touch-current selv function record",
        ),
        ("II", "visual insulation touch-current selv function record"),
        ("III", "visual insulation selv function record"),
    ],
)
def test_steps_by_class_in_the_published_order(protection_class, steps):
    """Order: a test-set book, p. 195. Nothing known to be absent, so nothing is left out."""
    assert [step.slug for step in sequence(protection_class).steps] == steps.split()


def test_only_what_is_known_absent_is_left_out():
    bare = sequence("I", unearthed_metal=False, selv_output=False)
    left_out = {"insulation-unearthed", "touch-current", "selv"}
    assert {s.slug for s in sequence("I").steps} - {s.slug for s in bare.steps} == left_out


@pytest.mark.parametrize(
    ("known", "unknown"),
    [
        ({"cable_m": 40.0}, {"cable_m": None}),
        ({"heating_kw": 5.0, "heating_connected": True}, {"heating_kw": None}),
        ({"heating_kw": 5.0, "heating_connected": True}, {"heating_kw": 5.0}),
    ],
)
def test_what_is_unknown_never_eases_a_limit(known, unknown):
    assert limit("protective-conductor", **unknown).high <= (
        limit("protective-conductor", **known).high
    )
    assert limit("insulation", **unknown).low >= limit("insulation", **known).low
    assert limit("protective-conductor-current", **unknown).high <= (
        limit("protective-conductor-current", **known).high
    )


def test_impossible_machines_are_refused_by_field():
    with pytest.raises(ValueRefused) as refused:
        Machine(ProtectionClass.EARTHED, cable_m=-1, cable_mm2=0, heating_kw=float("nan"))
    assert set(refused.value.fields) == {"cable_m", "cable_mm2", "heating_kw"}
