"""A workshop's own days of warranty, where they differ from the guide."""

from typing import Any, ClassVar

from django.db import models
from django.db.models import Q

from workshop.scoping import WorkshopOwned


class WarrantyDays(WorkshopOwned):
    """Days of warranty a workshop gives on a grade, or on one kind whatever its grade."""

    grade = models.CharField(max_length=12, blank=True)
    kind = models.ForeignKey(
        "parts.PartKind", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    days = models.PositiveSmallIntegerField()

    class Meta:
        ordering: ClassVar = ["kind", "grade"]
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(
                fields=["workshop", "grade"],
                condition=Q(kind__isnull=True),
                name="warranty_once_a_grade",
            ),
            models.UniqueConstraint(
                fields=["workshop", "kind"],
                condition=Q(kind__isnull=False),
                name="warranty_once_a_kind",
            ),
            models.CheckConstraint(
                condition=Q(kind__isnull=True, grade__in=["tested-good", "tested-worn", "untested"])
                | Q(kind__isnull=False, grade=""),
                name="warranty_is_of_a_grade_or_a_kind",
            ),
            models.CheckConstraint(condition=Q(days__lte=3650), name="warranty_days_can_be"),
        ]

    def __str__(self) -> str:
        return f"{self.kind_id or self.grade}: {self.days} days"
