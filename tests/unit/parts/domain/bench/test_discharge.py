"""Discharge: cases of check-values 2.4, computed apart; the caution says to measure."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import discharge
from parts.domain.bench.discharge import Charged
from tests.unit.published import VALUES, rows
from tests.unit.reference import read
from workshop.domain.refusals import ValueRefused

CASES = VALUES["discharge"]
sizes = st.floats(0.01, 1e4)


@pytest.mark.parametrize(("ohm", "uf", "high", "low", "expected", "within"), rows("discharge"))
def test_times(ohm, uf, high, low, expected, within):
    found = discharge.seconds(ohm=ohm, microfarad=uf, from_v=high, to_v=low)
    assert found == pytest.approx(expected, abs=within)


def test_energy_charge_and_peak():
    for uf, volts, joule, within in CASES["energy_j"]:
        found = discharge.energy_j(microfarad=uf, volts=volts)
        assert found == pytest.approx(joule, abs=within)
    for uf, volts, charge in CASES["charge_uc"]:
        assert discharge.charge_uc(microfarad=uf, volts=volts) == pytest.approx(charge)
    for ohm, volts, watt, within in CASES["peak_w"]:
        assert discharge.peak_w(ohm=ohm, volts=volts) == pytest.approx(watt, abs=within)


def test_the_largest_resistor_for_plug_pins():
    """IEC 60335-1 cl. 22.5 as a comparison of editions quotes it: 34 V within a second."""
    for name, size in (("largest_kohm", 1e3), ("largest_mohm_240v", 1e6)):
        for uf, high, low, within_s, expected, within in CASES[name]:
            found = discharge.largest_ohm(microfarad=uf, from_v=high, to_v=low, within_s=within_s)
            assert found / size == pytest.approx(expected, abs=within)
    too_slow = discharge.seconds(ohm=1e6, microfarad=0.47, from_v=325, to_v=34)
    assert too_slow > 1


@given(sizes, sizes, st.floats(1, 3000), st.floats(1, 3000))
def test_after_that_time_the_voltage_is_there(ohm, uf, one, other):
    """The exponential itself, put in."""
    low, high = sorted((one, other))
    time = discharge.seconds(ohm=ohm, microfarad=uf, from_v=high, to_v=low)
    assert high * math.exp(-time / (ohm * uf * 1e-6)) == pytest.approx(low)
    assert discharge.seconds(ohm=ohm, microfarad=uf, from_v=low, to_v=high) == 0


@pytest.mark.parametrize("bad", [0, -1, math.nan, math.inf])
@pytest.mark.parametrize("name", ["ohm", "microfarad", "from_v", "to_v"])
def test_bad_input(name, bad):
    values = {"ohm": 1e6, "microfarad": 1, "from_v": 325, "to_v": 34} | {name: bad}
    with pytest.raises(ValueRefused) as refused:
        discharge.seconds(**values)
    assert set(refused.value.fields) == {name}


def test_every_caution_gives_the_time_and_says_to_measure():
    for row in read("capacitor_discharge"):
        said = Charged.of(row).caution()
        assert said.endswith("Measure, do not trust the time: the resistor may be open.")
    oven = next(one for one in read("capacitor_discharge") if one["slug"] == "hv-capacitor")
    assert "through 10 Mohm, it needs 45 s to fall below 34 V" in Charged.of(oven).caution()


def test_a_time_is_rounded_up():
    assert discharge.time_words(0.2) == "1 s"
    assert discharge.time_words(44.7) == "45 s"
    assert discharge.time_words(121) == "3 minutes"
