"""Stripping: steps of each kind of machine, a workshop's changes to them, work on donors."""

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from workshop.models import LICENCES
from workshop.scoping import WorkshopOwned


class ToolClass(models.TextChoices):
    """Classes of (EU) 2023/2533 Annex I: what a step asks for."""

    NONE = "none", "no tool"
    BASIC = "basic", "basic tools"
    COMMERCIAL = "commercially-available", "commercially available tools"
    PROPRIETARY = "proprietary", "a maker's own tools"


class StepColumns(models.Model):
    """What is said of a step. needs: of every group any one step; takes: kind or kind/position."""

    slug = models.SlugField(max_length=40)
    name = models.CharField(max_length=60)
    minutes = models.FloatField(help_text="guess: a skilled person, a clean machine")
    needs = models.JSONField(default=list)
    takes = models.JSONField(default=list)
    tools = models.JSONField(default=list)
    tool_class = models.CharField(max_length=24, choices=ToolClass.choices, default=ToolClass.NONE)
    cautions = models.JSONField(default=list)
    two_persons = models.BooleanField(default=False)
    licence = models.CharField(max_length=20, choices=LICENCES, blank=True)

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return self.name or self.slug


class StripStep(StepColumns):
    """Reference: one step of stripping an appliance."""

    appliance = models.ForeignKey(
        "donors.Appliance", on_delete=models.CASCADE, related_name="strip_steps"
    )
    usual = models.BooleanField(default=True, help_text="most builds have it")
    safety = models.BooleanField(default=False, help_text="is never left out as not needed")
    source = models.TextField()

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["appliance", "slug"], name="strip_step_once"),
        ]


class WorkshopStep(StepColumns, WorkshopOwned):
    """A step of a workshop's own; without a name: its own guess for a step of the reference."""

    appliance = models.ForeignKey("donors.Appliance", on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=60, blank=True)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop", "appliance", "slug"], name="workshop_step_once"
            ),
            models.CheckConstraint(
                condition=Q(minutes__gte=0, minutes__lte=1440), name="workshop_step_minutes_can_be"
            ),
        ]


class StepSpan(WorkshopOwned):
    """A timer: one member at one step of one donor, from the start stamp to the stop stamp."""

    donor = models.ForeignKey("donors.Donor", on_delete=models.PROTECT, related_name="+")
    step = models.SlugField(max_length=40)
    member = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    started_at = models.DateTimeField()
    stopped_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["started_at", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["donor", "member"],
                condition=Q(stopped_at__isnull=True),
                name="span_one_runs_per_member",
            ),
            models.CheckConstraint(
                condition=Q(stopped_at__isnull=True) | Q(stopped_at__gte=F("started_at")),
                name="span_runs_forward",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.donor_id} {self.step} from {self.started_at:%H:%M}"


class StepRecord(WorkshopOwned):
    """What became of a step of a donor: done, by whom and with whom; or not needed, or not there.

    What the step asked for is copied here, so that the database can hold the record to it.
    """

    class Came(models.TextChoices):
        DONE = "done", "done"
        NOT_NEEDED = "not-needed", "not needed on this machine"
        NOT_HERE = "not-here", "not on this machine"

    donor = models.ForeignKey("donors.Donor", on_delete=models.PROTECT, related_name="step_records")
    appliance = models.ForeignKey("donors.Appliance", on_delete=models.PROTECT, related_name="+")
    step = models.SlugField(max_length=40)
    came = models.CharField(max_length=10, choices=Came.choices, default=Came.DONE)
    done_on = models.DateField()
    done_at = models.DateTimeField()
    done_by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    timed_min = models.FloatField(null=True, blank=True, help_text="by the timer")
    said_min = models.FloatField(null=True, blank=True, help_text="said by a person; goes before")
    needs_two = models.BooleanField(default=False)
    second_person = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    licence = models.CharField(max_length=20, choices=LICENCES, blank=True)
    certificate = models.ForeignKey(
        "workshop.Certificate", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    certificate_until = models.DateField(null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering: ClassVar = ["done_at", "id"]
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["donor", "step"], name="step_record_once"),
            models.CheckConstraint(
                condition=Q(came__in=["done", "not-needed", "not-here"]),
                name="step_record_is_known",
            ),
            models.CheckConstraint(
                condition=~Q(came="not-needed") | Q(licence=""),
                name="licensed_step_is_not_left_out",
            ),
            models.CheckConstraint(
                condition=~Q(came="done")
                | Q(needs_two=False)
                | (Q(second_person__isnull=False) & ~Q(second_person=F("done_by"))),
                name="heavy_step_names_a_second_person",
            ),
            models.CheckConstraint(
                condition=~Q(came="done")
                | Q(licence="")
                | Q(
                    certificate__isnull=False,
                    certificate_until__isnull=False,
                    certificate_until__gte=F("done_on"),
                ),
                name="licensed_step_names_a_valid_certificate",
            ),
            models.CheckConstraint(
                condition=(Q(timed_min__isnull=True) | Q(timed_min__gte=0))
                & (Q(said_min__isnull=True) | Q(said_min__gt=0, said_min__lte=1440)),
                name="step_minutes_can_be",
            ),
        ]
        indexes: ClassVar = [
            # A workshop's own times of an appliance's steps, newest first.
            models.Index(
                fields=["workshop", "appliance", "-id"],
                condition=Q(came="done"),
                name="step_times_newest",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.donor_id} {self.step}: {self.came}"

    @property
    def minutes(self) -> float | None:
        """Return what a person said it took, else what the timer did."""
        return self.timed_min if self.said_min is None else self.said_min
