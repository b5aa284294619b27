"""Refusing bad input from plain Python: one sentence for each field at fault, all at once.

Services turn a ValueRefused into an InputRefused, which carries the same fields to form and API.
"""

import math
from collections.abc import Mapping
from typing import Self


class ValueRefused(ValueError):
    """What was given cannot be computed with; `fields` says of each input why."""

    def __init__(self, fields: Mapping[str, str]) -> None:
        super().__init__("; ".join(f"{name}: {why}" for name, why in fields.items()))
        self.fields = dict(fields)


class Checks:
    """Collects what is wrong with several inputs. Used as `with Checks() as check: ...`.

    On leaving without another error it raises ValueRefused when anything was noted.
    """

    def __init__(self) -> None:
        self.fields: dict[str, str] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None and self.fields:
            raise ValueRefused(self.fields)

    def refuse(self, field: str, why: str) -> None:
        """Note one sentence for a field; the first one stays."""
        self.fields.setdefault(field, why)

    def number(
        self,
        field: str,
        value: float | None,
        unit: str = "",
        *,
        least: float | None = None,
        most: float | None = None,
        above: float | None = None,
        needed: bool = True,
    ) -> bool:
        """Return True for a finite number within `least`..`most` (and > `above`); else note why.

        needed: None is refused; otherwise None is no fault, and False is returned.
        """
        if value is None:
            if needed:
                self.refuse(field, f"is missing; give it in {unit or 'figures'}")
            return False
        why = _fault(value, unit, least=least, most=most, above=above)
        if why:
            self.refuse(field, why)
        return not why


def _fault(
    value: float, unit: str, *, least: float | None, most: float | None, above: float | None
) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return f"{value!r} is no number"
    if not _is_finite(value):
        shown = f"{value}" if isinstance(value, float) else "so long a number"
        return f"{shown} is no reading; give a finite number or leave it blank"
    said = f"{value:g} {unit}".strip()
    if above is not None and value <= above:
        return f"{said} must be more than {above:g}"
    if least is not None and value < least:
        if least == 0:
            return f"{said} is negative; measure again or leave it blank"
        return f"{said} is below {least:g}, the least there can be"
    if most is not None and value > most:
        return f"{said} is above {most:g}, the most there can be"
    return ""


def _is_finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # an integer beyond every float
        return False
