"""What the engine must know of a kind of part."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Attribute:
    """One thing about a part that can be compared.

    tolerance_abs is in the attribute's unit, tolerance_rel a fraction of the wanted value;
    both None: equal or not. hard: a conflict excludes the part.
    """

    name: str
    number: bool = False
    tolerance_abs: float | None = None
    tolerance_rel: float | None = None
    hard: bool = False

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> "Attribute":
        return cls(
            name=row["name"],
            number=row["type"] == "number",
            tolerance_abs=row["tolerance_abs"],
            tolerance_rel=row["tolerance_rel"],
            hard=row["hard"],
        )


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of part as the engine sees it. `matters`: model-number fields that decide fit."""

    slug: str
    name: str = ""
    fit_class: str = "spec-match"
    reuse: str = "good"
    reuse_advice: str = ""
    matters: frozenset[str] = frozenset()
    attributes: Mapping[str, Attribute] = field(default_factory=dict)
    component_class: str = "other"
    min_test: str = ""

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> "Kind":
        """Build from a row of fixtures/reference/part_kinds.json (or the same columns)."""
        return cls(
            slug=row["slug"],
            name=row["name"],
            fit_class=row["fit_class"],
            reuse=row["reuse"],
            reuse_advice=row["reuse_advice"],
            matters=frozenset(row["matters"]),
            attributes={one["name"]: Attribute.of(one) for one in row["attributes"]},
            component_class=row["component_class"],
            min_test=row["min_test"],
        )

    @property
    def never_reused(self) -> bool:
        return self.reuse == "never"
