"""Copper: check-values 3.2, formula of IEC 60335-1 cl. 11, values computed apart."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import copper
from tests.unit.parts.domain.bench.limits import LIMITS
from tests.unit.published import rows
from workshop.domain.refusals import ValueRefused

ohms = st.floats(0.01, 1e5)
degrees = st.floats(-40, 200)


@pytest.mark.parametrize(("cold", "hot", "cold_c", "room_c", "k", "rise"), rows("copper_rise"))
def test_published_rises(cold, hot, cold_c, room_c, k, rise):
    found = copper.rise_k(cold_ohm=cold, hot_ohm=hot, cold_c=cold_c, room_c=room_c, k=k)
    assert found == pytest.approx(rise, abs=5e-3)


@pytest.mark.parametrize(("ohm", "at_c", "k", "at_20"), rows("copper_at_20"))
def test_published_corrections_to_20(ohm, at_c, k, at_20):
    assert copper.at_20(ohm=ohm, temperature_c=at_c, k=k) == pytest.approx(at_20, abs=5e-4)


def test_the_coefficient_at_20_is_the_textbooks():
    """alpha20 of copper 0.00393 per kelvin (an engineering portal, with k = 234.5)."""
    k = LIMITS.metals["copper-234.5"]["k"]
    rise = copper.at_20(ohm=1, temperature_c=20, k=k) / copper.at_20(ohm=1, temperature_c=21, k=k)
    assert rise - 1 == pytest.approx(0.00393, abs=5e-6)
    assert {LIMITS.metals[m]["k"] for m in ("copper", "aluminium")} == {235, 225}


@given(ohms, degrees)
def test_correcting_there_and_back_changes_nothing(ohm, at_c):
    at_20 = copper.at_20(ohm=ohm, temperature_c=at_c)
    hot = ohm * (235 + at_c) / 255 if at_c > 20 else ohm
    assert at_20 * (235 + at_c) / 255 == pytest.approx(ohm)
    rise = copper.rise_k(cold_ohm=ohm, hot_ohm=hot, cold_c=20, room_c=20)
    assert rise == pytest.approx(max(0.0, at_c - 20), abs=1e-6)


@given(ohms, ohms, ohms)
def test_a_hotter_reading_means_a_higher_rise(cold, one, other):
    low, high = sorted((one, other))
    given_ = {"cold_ohm": cold, "cold_c": 20, "room_c": 22}
    assert copper.rise_k(hot_ohm=low, **given_) <= copper.rise_k(hot_ohm=high, **given_)


def test_a_winding_without_a_temperature_is_refused():
    with pytest.raises(ValueRefused) as refused:
        copper.at_20(ohm=160, temperature_c=None)
    assert list(refused.value.fields) == ["temperature_c"]
    assert "means nothing without its temperature" in refused.value.fields["temperature_c"]


def test_every_fault_is_named_at_once():
    with pytest.raises(ValueRefused) as refused:
        copper.rise_k(cold_ohm=0, hot_ohm=-1, cold_c=None, room_c=float("inf"))
    assert set(refused.value.fields) == {"cold_ohm", "hot_ohm", "cold_c", "room_c"}
    with pytest.raises(ValueRefused, match="above 400"):
        copper.at_20(ohm=160, temperature_c=3500)
