"""The electrical-safety check of a repaired machine and what each step gave."""

from typing import Any, ClassVar

from django.db import models
from django.db.models import Q

from parts.domain.bench.limits import Standing
from parts.domain.bench.verdicts import Outcome
from parts.domain.electrical_safety.rules import LimitSet, Machine, ProtectionClass
from workshop.scoping import WorkshopOwned


def _choices(of: Any) -> list[tuple[str, str]]:
    return [(one.value, getattr(one, "words", one.value)) for one in of]


class SafetyCheck(WorkshopOwned):
    """One run through the sequence for the machine of a job. A job has at most one in force.

    Null: not known, and then the stricter rule holds.
    """

    job = models.ForeignKey("matching.Job", on_delete=models.CASCADE, related_name="safety_checks")
    protection_class = models.CharField(max_length=3, choices=_choices(ProtectionClass))
    limit_set = models.CharField(
        max_length=16, choices=_choices(LimitSet), default=LimitSet.AFTER_REPAIR.value
    )
    cable_m = models.FloatField(null=True, blank=True)
    cable_mm2 = models.FloatField(default=1.5)
    heating_kw = models.FloatField(null=True, blank=True)
    heating_connected = models.BooleanField(null=True, blank=True)
    unearthed_metal = models.BooleanField(null=True, blank=True)
    selv_output = models.BooleanField(null=True, blank=True)
    portable = models.BooleanField(null=True, blank=True)
    begun_by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    begun_at = models.DateTimeField()
    voided_at = models.DateTimeField(null=True, blank=True, help_text="another check took over")
    # The entry: each used part fitted, its donor, its bench test, who tested it; set by the record.
    fitted = models.JSONField(default=list, blank=True)

    class Meta:
        ordering: ClassVar = ["begun_at", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["job"], condition=Q(voided_at__isnull=True), name="safety_one_in_force"
            ),
            models.CheckConstraint(
                condition=Q(protection_class__in=[one.value for one in ProtectionClass])
                & Q(limit_set__in=[one.value for one in LimitSet]),
                name="safety_class_and_limits_are_known",
            ),
        ]

    def __str__(self) -> str:
        return f"safety check of {self.job_id}"

    def machine(self) -> Machine:
        return Machine(
            protection_class=ProtectionClass(self.protection_class),
            cable_m=self.cable_m,
            cable_mm2=self.cable_mm2,
            heating_kw=self.heating_kw,
            heating_connected=self.heating_connected,
            unearthed_metal=self.unearthed_metal,
            selv_output=self.selv_output,
            limit_set=LimitSet(self.limit_set),
            portable=self.portable,
        )


class SafetyEntry(WorkshopOwned):
    """What one step gave, with its limit. A void one stays on record: the step was repeated."""

    check_run = models.ForeignKey(SafetyCheck, on_delete=models.CASCADE, related_name="entries")
    step = models.SlugField(max_length=40)
    place = models.PositiveSmallIntegerField(help_text="which step of this machine's sequence")
    # true, false, a number in the step's unit, "open", or a name
    entry = models.JSONField()
    outcome = models.CharField(max_length=12, choices=_choices(Outcome))
    unit = models.CharField(max_length=8, blank=True)
    limit = models.CharField(max_length=80, blank=True, help_text="in words; blank: looked at")
    standing = models.CharField(max_length=10, choices=_choices(Standing), blank=True)
    source = models.TextField()
    sentence = models.TextField()
    tester = models.CharField(max_length=80, blank=True, help_text="what it was measured with")
    note = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    voided_at = models.DateTimeField(null=True, blank=True)
    void_because = models.CharField(max_length=80, blank=True)

    class Meta:
        ordering: ClassVar = ["at", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["check_run", "step"],
                condition=Q(voided_at__isnull=True),
                name="safety_step_in_force_once",
            ),
            models.CheckConstraint(
                condition=Q(voided_at__isnull=True, void_because="")
                | (Q(voided_at__isnull=False) & ~Q(void_because="")),
                name="safety_void_has_a_reason",
            ),
            models.CheckConstraint(
                condition=Q(outcome__in=["pass", "doubtful", "fail", "not-measured"]),
                name="safety_outcome_is_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.step}: {self.outcome}"
