"""Reading a measured value: a number with its unit, as it is written on a part."""

import re

from parts.domain.kinds import Attribute

QUANTITY = re.compile(r"\s*([+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?)\s*([^\W\d_]*|°c|%|\")\s*", re.I)
UNITS = {"vac": "v", "volt": "v", "volts": "v", "watt": "w", "watts": "w", "ω": "ohm", "°c": "c"}


def as_quantity(text: str, attribute: Attribute) -> tuple[float, str] | None:
    """Return a number and its unit; without one, the unit its attribute's name ends with."""
    read = QUANTITY.fullmatch(text)
    if read is None:
        return None
    unit = read[2] or attribute.name.rpartition("_")[2]
    unit = unit.casefold().replace("µ", "u").replace("μ", "u")
    return float(read[1]), UNITS.get(unit, unit)


def as_number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
