"""Whatever the comparison finds to agree, or to be within tolerance, must share a key."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from matching.domain.comparisons import compare_attributes
from matching.domain.sides import Side
from parts.domain.attribute_keys import asked_keys, stored_keys
from parts.domain.kinds import Attribute, Kind

ATTRIBUTES = {
    one.name: one
    for one in (
        Attribute("mount"),
        Attribute("length_mm", number=True, tolerance_abs=2),
        Attribute("shaft_mm", number=True, tolerance_abs=0.1),
        Attribute("power_w", number=True, tolerance_rel=0.1),
        Attribute("resistance_ohm", number=True, tolerance_rel=0.25),
        Attribute("ribs", number=True, tolerance_abs=0),
        Attribute("voltage_v", number=True, hard=True),
    )
}
KIND = Kind("drain-pump", attributes=ATTRIBUTES)
NUMBERS = st.one_of(
    st.integers(-5, 400).map(str),
    st.floats(-1e3, 1e6, allow_nan=False).map(lambda value: f"{value:.4f}"),
    st.floats(0.9, 1.35).map(lambda share: f"{100 * share:.3f}"),
)
VALUES = st.one_of(
    NUMBERS,
    NUMBERS.map(lambda text: f"{text} mm"),
    st.sampled_from(["Clip-3", "clip-3", " clip-3 ", "1e3", "1000.0", "nan", "", "30W", "30 watt"]),
)


@given(st.sampled_from(sorted(ATTRIBUTES)), VALUES, VALUES)
@example("power_w", "100", "110")
@example("power_w", "110", "100")
@example("resistance_ohm", "75", "100")
@example("length_mm", "10", "12")
@example("length_mm", "-1", "1")
@example("power_w", "0", "0")
@example("mount", "12", "12.0")
@example("ribs", "5", "5.0")
def test_what_agrees_is_found_from_either_side(name: str, offered: str, wanted: str) -> None:
    sides = {name: offered}, {name: wanted}
    found = compare_attributes(Side(attributes=sides[0]), Side(attributes=sides[1]), KIND)
    agrees = [one for one in found if one.level != "conflict" and not one.hard]
    if agrees:
        assert asked_keys(KIND, sides[0], "") & stored_keys(KIND, sides[1], "")
        assert asked_keys(KIND, sides[1], "") & stored_keys(KIND, sides[0], "")


def test_a_position_is_a_key_and_case_does_not_matter() -> None:
    assert asked_keys(KIND, {}, "Upper") == stored_keys(KIND, {}, "upper") != set()


@pytest.mark.parametrize("attributes", [{"voltage_v": "230"}, {"mount": " "}, {}])
def test_what_counts_only_against_a_part_is_no_key(attributes: dict[str, str]) -> None:
    assert stored_keys(KIND, attributes, "") == set()


def test_other_kinds_and_far_values_share_no_key() -> None:
    other = Kind("heater", attributes=ATTRIBUTES)
    assert not asked_keys(KIND, {"mount": "clip"}, "") & stored_keys(other, {"mount": "clip"}, "")
    assert not asked_keys(KIND, {"power_w": "30"}, "") & stored_keys(KIND, {"power_w": "60"}, "")
