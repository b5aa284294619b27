"""Days of warranty on used parts: the guide, a workshop's own, and until when."""

from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import Any

from django.db import transaction

from matching.domain.lasting import Warranty, WarrantyGuide
from matching.models import WarrantyDays
from parts.models import Part, PartKind
from workshop import reference
from workshop.errors import InputRefused, NotFound
from workshop.models import Workshop

# What a part is promised by; the guide knows no parts nobody has graded.
GRADES = {"tested-good": "tested good", "tested-worn": "tested worn", "untested": "untested"}
MOST_DAYS = 3650
LAW = "Consumer law may set more, and then it counts."


@lru_cache(maxsize=1)
def guide() -> WarrantyGuide:
    return WarrantyGuide.of(reference.read("warranty_days"))


@dataclass(frozen=True, slots=True)
class Promise:
    """Days of one grade or kind: the workshop's own when `own`, else the guide's."""

    grade: str
    kind: str
    days: int
    guide_days: int
    own: bool


def promised(part: Part) -> Warranty:
    """Return what a part is promised as it stands: by kind where one is set, else by grade."""
    own = WarrantyDays.of(part.workshop_id)
    grade = part.grade if part.grade in guide().days_by_grade else "untested"
    for row in own.filter(kind=part.kind_id):
        return Warranty(row.days, f"{row.days} days on this kind, as the workshop has set")
    by_guide = guide().promised(kind=part.kind_id, grade=grade)
    if part.kind_id in guide().consumed:
        return by_guide
    for row in own.filter(grade=grade, kind__isnull=True):
        return Warranty(row.days, f"{row.days} days on {grade.replace('-', ' ')}, as set here")
    return by_guide


def give(part: Part, *, on: date) -> Warranty:
    """Note until when a part fitted or sold on a day is under warranty. Returns what is promised.

    The last day of it is stored; a part without warranty has none.
    """
    found = promised(part)
    part.warranty_until = on + timedelta(days=found.days) if found.days else None
    part.save(update_fields=["warranty_until"])
    return found


def within(part: Part | None, *, day: date) -> bool:
    """Return True when a part fitted or sold was still under warranty on that day."""
    return part is not None and part.warranty_until is not None and day <= part.warranty_until


def list_promises(workshop: Workshop) -> list[Promise]:
    """Return the days by grade, then those of kinds: consumed ones and those set here."""
    own = list(WarrantyDays.of(workshop).all())
    by_grade = {row.grade: row.days for row in own if row.kind_id is None}
    by_kind = {row.kind_id: row.days for row in own if row.kind_id is not None}
    grades = [
        Promise(grade, "", by_grade.get(grade, days), days, grade in by_grade)
        for grade, days in guide().days_by_grade.items()
        if grade in GRADES
    ]
    kinds = sorted({*guide().consumed, *by_kind})
    most = max(guide().days_by_grade.values())
    return grades + [
        Promise(
            "",
            kind,
            by_kind.get(kind, 0),
            0 if kind in guide().consumed else most,
            kind in by_kind,
        )
        for kind in kinds
    ]


@transaction.atomic
def set_days(*, workshop: Workshop, days: int | None, grade: str = "", kind: str = "") -> None:
    """Set the days of a grade or a kind; None gives the guide back. Raises InputRefused, NotFound.

    What was fitted or sold before keeps what it was promised.
    """
    if bool(grade) == bool(kind):
        words = "Name a grade or a part kind: one of them, not both."
        raise InputRefused(words, fields={"grade": words})
    if grade and grade not in GRADES:
        words = f"Choose one of {', '.join(GRADES.values())}."
        raise InputRefused(words, fields={"grade": words})
    if kind and not PartKind.objects.filter(slug=kind).exists():
        raise NotFound(f"There is no part kind {kind}.")
    if days is not None and not 0 <= days <= MOST_DAYS:
        words = f"{days} days cannot be; 0 to {MOST_DAYS}."
        raise InputRefused(words, fields={"days": words})
    which: dict[str, Any] = {"grade": grade, "kind_id": kind or None}
    if days is None:
        WarrantyDays.of(workshop).filter(**which).delete()
        return
    WarrantyDays.objects.unscoped().update_or_create(
        workshop=workshop, **which, defaults={"days": days}
    )
