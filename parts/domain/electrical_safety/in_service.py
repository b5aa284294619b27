"""UK in-service limits: a code of practice for machines in use, beside the sequence's own limits.

Guide values: no standard's limit after a repair. What is unknown of a machine never eases one.
Figures and where they were seen: fixtures/reference/electrical_safety.json, `in_service_uk`.
"""

from collections.abc import Mapping
from typing import Any

from parts.domain.bench.limits import Limit, Standing
from workshop.domain.refusals import Checks

Data = Mapping[str, Any]


def conductor_ohm(cable_m: float, mm2: float, data: Data) -> float:
    """Return the most earth continuity may read in ohm: 0.1 and the cord's own conductor.

    Raises ValueRefused for a cross-section without a figure, or a length below 0.
    """
    row = data["conductor"]
    by_size = {float(size): each for size, each in row["ohm_per_m"].items()}
    with Checks() as bad:
        bad.number("cable_m", cable_m, "m", least=0)
        if mm2 not in by_size:
            known = ", ".join(f"{size:g}" for size in by_size)
            bad.refuse("cable_mm2", f"{mm2:g} mm² has no figure here; there are {known} mm²")
    return float(row["contact_ohm"] + by_size[mm2] * cable_m)


def insulation_mohm(protection_class: str, heating_kw: float | None, data: Data) -> float:
    """Return the least insulation in megohm; 0.3 for class I with 3 kW of heating or more."""
    row = data["insulation"]
    heats = (heating_kw or 0.0) >= row["heating_from_kw"]
    return float(row["I-heating" if heats and protection_class == "I" else protection_class])


def current_ma(
    protection_class: str,
    data: Data,
    *,
    heating_kw: float | None = None,
    portable: bool | None = None,
    doubled: bool = False,
) -> float:
    """Return the most protective-conductor or touch current in mA.

    portable: handheld or portable; None, not known, counts as portable, the stricter.
    doubled: no switch but a cut-out, or a switch in all poles.
    """
    row = data["current"]
    most = _class_ma(protection_class, row, heating_kw=heating_kw, portable=portable)
    return float(most * 2 if doubled else most)


def _class_ma(
    protection_class: str, row: Data, *, heating_kw: float | None, portable: bool | None
) -> float:
    if protection_class != "I":
        return float(row[f"{protection_class}_ma"])
    if portable is not False:
        return float(row["portable_ma"])
    if heating_kw:
        return float(min(row["heating_most_ma"], row["heating_ma_per_kw"] * heating_kw))
    return float(row["other_ma"])


def limit(slug: str, unit: str, low: float | None, high: float | None, source: str) -> Limit:
    """Return one of these figures as a guide value."""
    return Limit(slug, unit, low, high, low, high, Standing.GUIDE, source)
