"""Build breaks as proposed and decided, and the kinds that are to be searched for new ones."""

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from matching.domain.known_breaks import Scope
from workshop.domain.intervals import Interval
from workshop.scoping import WorkshopOwned


class BuildBreak(WorkshopOwned):
    """A part changed at some date within a family, a revision or a model of it.

    Only accepted ones count as evidence.
    """

    class State(models.TextChoices):
        PROPOSED = "proposed", "proposed"
        ACCEPTED = "accepted", "accepted"
        REJECTED = "rejected", "rejected"
        RETIRED = "retired", "retired"

    kind = models.ForeignKey("parts.PartKind", on_delete=models.PROTECT, related_name="+")
    make = models.CharField(max_length=80)
    family = models.CharField(max_length=60)
    revision = models.CharField(max_length=40, blank=True, help_text="blank: the whole family")
    model = models.CharField(
        max_length=80, blank=True, help_text="canonical model number; blank: all of them"
    )
    changed_from = models.DateField()
    changed_to = models.DateField()
    chance = models.FloatField(help_text="posterior probability that there is a break")
    before = models.JSONField(default=dict, help_text="sightings of each number before it")
    after = models.JSONField(default=dict, help_text="sightings of each number after it")
    numbers_before = models.JSONField(default=list)
    numbers_after = models.JSONField(default=list)
    sightings = models.PositiveIntegerField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.PROPOSED)
    proposed_at = models.DateTimeField()
    decided_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(
                fields=[
                    "workshop",
                    "kind",
                    "make",
                    "family",
                    "revision",
                    "model",
                    "changed_from",
                ],
                condition=Q(state="accepted"),
                name="build_break_in_force_once",
            ),
            models.CheckConstraint(
                condition=Q(changed_to__gte=F("changed_from")),
                name="build_break_interval_runs_forward",
            ),
            models.CheckConstraint(
                condition=Q(state="proposed", decided_by__isnull=True, decided_at__isnull=True)
                | Q(
                    state__in=["accepted", "rejected", "retired"],
                    decided_by__isnull=False,
                    decided_at__isnull=False,
                ),
                name="build_break_decision_has_who_and_when",
            ),
            models.CheckConstraint(
                condition=Q(chance__gte=0, chance__lte=1),
                name="build_break_chance_is_a_probability",
            ),
        ]
        indexes: ClassVar = [
            # What the matching reads, by kind and family.
            models.Index(
                fields=["workshop", "kind", "make", "family"], name="build_break_by_family"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind_id} of {self.scope()} changed {self.changed()}"

    def scope(self) -> Scope:
        return Scope(self.make, self.family, self.revision, self.model)

    def changed(self) -> Interval:
        return Interval(self.changed_from, self.changed_to)


class BreakSearch(WorkshopOwned):
    """A kind whose sightings changed since it was last searched for build breaks."""

    kind = models.ForeignKey("parts.PartKind", on_delete=models.CASCADE, related_name="+")
    asked_at = models.DateTimeField()

    class Meta:
        ordering: ClassVar = ["asked_at", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "kind"], name="break_search_once_a_kind"),
        ]

    def __str__(self) -> str:
        return f"{self.kind_id} since {self.asked_at}"
