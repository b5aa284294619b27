"""Comparing the numbers printed on parts. Absence is looked at first: unknown is not different."""

import re
from dataclasses import dataclass
from enum import StrEnum

from donors.domain.model_numbers import canonical, confusions, folded

__all__ = ["NumberLevel", "canonical", "compare", "folded", "stem"]

# An index at the end, set off by a separator: -02, /1, .A3
_INDEX = re.compile(r"[\s\-/._]+[A-Z0-9]{1,3}$", re.IGNORECASE)
LEAST_STEM = 4


class NumberLevel(StrEnum):
    """How two part numbers relate; unknown first, because it is its own level."""

    UNKNOWN = "unknown"
    SAME = "same"
    CONFUSABLE = "one-confusable-apart"
    STEM = "same-stem"
    DIFFERENT = "different"


@dataclass(frozen=True, slots=True)
class Printed:
    """A part number as printed and in canonical form; both "" when not known."""

    raw: str = ""
    canonical: str = ""

    @classmethod
    def of(cls, raw: str) -> "Printed":
        return cls(raw.strip(), canonical(raw))

    def __bool__(self) -> bool:
        return bool(self.canonical)


def stem(raw: str) -> str:
    """Return the canonical number without its index; "" when it has none set off."""
    match = _INDEX.search(raw.strip())
    if match is None:
        return ""
    found = canonical(raw.strip()[: match.start()])
    return found if len(found) >= LEAST_STEM else ""


def compare(a: Printed, b: Printed) -> NumberLevel:
    """Return how two part numbers relate. Symmetric. Unknown when either is missing."""
    if not a or not b:
        return NumberLevel.UNKNOWN
    if a.canonical == b.canonical:
        return NumberLevel.SAME
    if _same_stem(a, b):
        return NumberLevel.STEM
    if confusions(a.canonical, b.canonical) == 1:
        return NumberLevel.CONFUSABLE
    return NumberLevel.DIFFERENT


def _same_stem(a: Printed, b: Printed) -> bool:
    left, right = stem(a.raw), stem(b.raw)
    # A number without index may itself end in a short group: 5443.796 and 5443.796-01.
    return bool(left and left in {right, b.canonical}) or bool(right and right == a.canonical)
