"""UK in-service limits: figures of check-values 2.2, seen on the pages named there."""

import pytest

from parts.domain.bench.limits import Standing
from parts.domain.electrical_safety import in_service
from parts.domain.electrical_safety.rules import LimitSet, Machine, ProtectionClass, Rules
from tests.unit.published import rows
from tests.unit.reference import read
from workshop.domain.refusals import ValueRefused

RULES = Rules.of(read("electrical_safety"))
DATA = RULES.in_service_uk
FIGURES = {(quantity, case): value for quantity, case, value in rows("in_service_uk")}
STEPS = {step.slug: step for step in RULES.steps}


@pytest.mark.parametrize(("cable_m", "mm2", "ohm"), rows("conductor_resistance"))
def test_the_printed_worked_example(cable_m, mm2, ohm):
    found = in_service.conductor_ohm(cable_m, mm2, DATA)
    assert found == pytest.approx(ohm)
    assert round(found, 2) == 0.16  # as printed


@pytest.mark.parametrize("size", ["0.75", "1.0", "1.5"])
def test_a_metre_more_adds_the_conductors_own(size):
    longer, shorter = (in_service.conductor_ohm(m, float(size), DATA) for m in (6, 5))
    assert longer - shorter == pytest.approx(FIGURES["ohm_per_m", size])


def test_insulation():
    for case in ("I", "II", "III"):
        assert in_service.insulation_mohm(case, None, DATA) == FIGURES["mohm", case]
    heating = FIGURES["mohm", "I_heating_from_3_kw"]
    assert in_service.insulation_mohm("I", 3.0, DATA) == heating
    # One page prints "< 3 kW", a misprint: a small heater keeps the full megohm.
    assert in_service.insulation_mohm("I", 2.9, DATA) == FIGURES["mohm", "I"]
    assert in_service.insulation_mohm("II", 5.0, DATA) == FIGURES["mohm", "II"]


def test_currents():
    def ma(of, **more):
        return in_service.current_ma(of, DATA, **more)

    assert ma("I", portable=True) == FIGURES["ma", "I_portable"]
    assert ma("I", portable=False) == FIGURES["ma", "I_other"]
    assert ma("II") == FIGURES["ma", "II"]
    assert ma("III") == FIGURES["ma", "III"]
    per_kw = FIGURES["ma_per_kw", "I_heating"]
    assert ma("I", portable=False, heating_kw=2.0) == pytest.approx(2 * per_kw)
    assert ma("I", portable=False, heating_kw=20.0) == FIGURES["ma", "I_heating_most"]
    assert ma("I", portable=False, doubled=True) == 2 * FIGURES["ma", "I_other"]


def test_what_is_unknown_eases_nothing():
    assert in_service.current_ma("I", DATA) == FIGURES["ma", "I_portable"]
    uk = Machine(ProtectionClass.EARTHED, limit_set=LimitSet.UK_IN_SERVICE)
    assert RULES.limit_of(STEPS["protective-conductor"], uk).high == pytest.approx(0.1)
    assert RULES.limit_of(STEPS["insulation"], uk).low == 1.0


def test_the_sequence_uses_them_as_guide_values_when_asked_to():
    uk = Machine(
        ProtectionClass.EARTHED,
        cable_m=3,
        cable_mm2=1.0,
        heating_kw=4.0,
        heating_connected=True,
        limit_set=LimitSet.UK_IN_SERVICE,
        portable=False,
    )
    found = {slug: RULES.limit_of(step, uk) for slug, step in STEPS.items()}
    assert found["protective-conductor"].high == pytest.approx(0.1585)
    assert found["insulation"].low == 0.3
    assert found["protective-conductor-current"].high == pytest.approx(3.0)
    assert found["touch-current"].high == 0.25
    for slug in ("protective-conductor", "insulation", "protective-conductor-current"):
        assert found[slug].standing is Standing.GUIDE
        assert "UK in-service code of practice" in found[slug].source
    # The after-repair exception for strong heaters belongs to the other set of figures.
    assert not RULES.low_insulation_may_pass(uk)


def test_a_cord_without_a_figure_is_refused():
    with pytest.raises(ValueRefused, match="no figure here"):
        in_service.conductor_ohm(3, 2.5, DATA)
    with pytest.raises(ValueRefused, match="negative"):
        in_service.conductor_ohm(-1, 1.0, DATA)


def test_safety_relevant_kinds_are_kinds_and_none_is_never_reused():
    kinds = {row["slug"]: row["reuse"] for row in read("part_kinds")}
    assert set(RULES.relevant_kinds) <= set(kinds)
    assert all(kinds[kind] != "never" for kind in RULES.relevant_kinds)
