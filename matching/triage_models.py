"""What a triage is reckoned from, how long a job waits, and machines kept as donors."""

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from matching.domain.triage.rules_of_thumb import ADVICE
from workshop.scoping import WorkshopOwned


def _money(**options: Any) -> models.PositiveIntegerField:
    return models.PositiveIntegerField(null=True, blank=True, **options)


class TriageFigures(WorkshopOwned):
    """What a workshop reckons with, one row a workshop. Empty: the guide (triage_figures.GUIDE)."""

    labour_per_hour_cents = _money(help_text="what an hour of repair costs")
    floor_per_week_cents = _money(help_text="what a machine's place costs a week")
    metal_cents = _money(help_text="what the bare machine brings as metal")
    disposal_cents = _money(help_text="what getting rid of the rest costs")
    labour_minutes = models.PositiveSmallIntegerField(null=True, blank=True)
    new_part_days = models.PositiveSmallIntegerField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop"], name="triage_figures_one_a_workshop"),
        ]

    def __str__(self) -> str:
        return f"figures of {self.workshop_id}"


class NewMachinePrice(WorkshopOwned):
    """What an equal new machine of an appliance costs where a job does not say."""

    appliance = models.ForeignKey("donors.Appliance", on_delete=models.CASCADE, related_name="+")
    price_cents = models.PositiveIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop", "appliance"], name="new_machine_price_once"
            ),
            models.CheckConstraint(
                condition=Q(price_cents__gt=0), name="new_machine_costs_something"
            ),
        ]

    def __str__(self) -> str:
        return f"new {self.appliance_id}"


class JobEstimate(WorkshopOwned):
    """What a person knows of one job. Empty: the workshop's figure, or the guide."""

    job = models.OneToOneField("matching.Job", on_delete=models.CASCADE, related_name="estimate")
    new_machine_cents = _money(help_text="price of an equal new machine")
    age_years = models.FloatField(null=True, blank=True)
    labour_minutes = models.PositiveSmallIntegerField(null=True, blank=True)
    patience_days = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="how long the customer waits from today"
    )
    high_end = models.BooleanField(default=False)
    major_faults = models.PositiveSmallIntegerField(null=True, blank=True)
    major_part = models.BooleanField(null=True, blank=True)
    safety_corrosion = models.BooleanField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(age_years__isnull=True) | Q(age_years__gte=0, age_years__lte=100),
                name="estimated_age_can_be",
            ),
            models.CheckConstraint(
                condition=Q(new_machine_cents__isnull=True) | Q(new_machine_cents__gt=0),
                name="estimated_new_machine_costs_something",
            ),
        ]

    def __str__(self) -> str:
        return f"estimate of {self.job_id}"


class NewPartQuote(WorkshopOwned):
    """What a new part for a need costs and how long it takes; or that there is none."""

    need = models.OneToOneField("matching.Need", on_delete=models.CASCADE, related_name="quote")
    price_cents = _money()
    days = models.PositiveSmallIntegerField(null=True, blank=True)
    not_to_be_had = models.BooleanField(default=False)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(not_to_be_had=False) | Q(price_cents__isnull=True, days__isnull=True),
                name="quote_or_not_to_be_had",
            ),
        ]

    def __str__(self) -> str:
        return f"new part for need {self.need_id}"


class OwnRule(WorkshopOwned):
    """A rule of thumb as a workshop changed it: another figure, or not shown."""

    slug = models.SlugField(max_length=40)
    figure = models.FloatField(null=True, blank=True)
    advises = models.CharField(max_length=8, choices=[(one, one) for one in ADVICE])
    shown = models.BooleanField(default=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "slug"], name="own_rule_once"),
            models.CheckConstraint(
                condition=Q(figure__isnull=True) | Q(figure__gt=0, figure__lte=1000),
                name="own_rule_figure_can_be",
            ),
            models.CheckConstraint(condition=Q(advises__in=ADVICE), name="own_rule_advises"),
        ]

    def __str__(self) -> str:
        return self.slug


class WaitExtension(WorkshopOwned):
    """A wait whose end was changed: from which day to which, by whom. Reviews count from it."""

    job = models.ForeignKey(
        "matching.Job", on_delete=models.CASCADE, related_name="wait_extensions"
    )
    before = models.DateField(help_text="the end until then")
    until = models.DateField()
    extended_on = models.DateField()
    by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering: ClassVar = ["at", "id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=~Q(until=F("before")) & Q(until__gte=F("extended_on")),
                name="wait_extension_changes_the_end",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.job_id} until {self.until}"


class KeepPermission(WorkshopOwned):
    """Whether a job's machine may be kept as a donor, as its owner answered. No names.

    A later answer takes the place of an earlier one, which stays on record.
    """

    class SaidBy(models.TextChoices):
        OWNER = "owner", "the owner of the machine"
        ACTING = "acting", "someone who acts for the owner"
        WORKSHOP = "workshop", "the machine is the workshop's own"

    class How(models.TextChoices):
        SIGNED = "signed", "signed on paper"
        MESSAGE = "message", "in a written message"
        PHONE = "phone", "by phone"
        IN_PERSON = "in-person", "in person, nothing in writing"

    job = models.ForeignKey(
        "matching.Job", on_delete=models.CASCADE, related_name="keep_permissions"
    )
    may_keep = models.BooleanField()
    said_by = models.CharField(max_length=10, choices=SaidBy.choices)
    how = models.CharField(max_length=10, choices=How.choices)
    said_on = models.DateField()
    noted_by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    noted_at = models.DateTimeField()
    replaced_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["noted_at", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["job"], condition=Q(replaced_at__isnull=True), name="one_answer_in_force"
            ),
            models.CheckConstraint(
                condition=Q(said_by__in=["owner", "acting", "workshop"])
                & Q(how__in=["signed", "message", "phone", "in-person"]),
                name="permission_says_who_and_how",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.job_id}: {'may' if self.may_keep else 'may not'} be kept"

    @property
    def in_writing(self) -> bool:
        """Whether something written stands behind it; the workshop's own machine needs none."""
        return self.how in ("signed", "message") or self.said_by == self.SaidBy.WORKSHOP


class KeptMachine(WorkshopOwned):
    """One machine that was a job and is a donor now. Each of the two once: the link both ways."""

    job = models.OneToOneField("matching.Job", on_delete=models.PROTECT, related_name="kept")
    donor = models.OneToOneField("donors.Donor", on_delete=models.PROTECT, related_name="was_job")
    permission = models.ForeignKey(KeepPermission, on_delete=models.PROTECT, related_name="+")
    kept_by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    kept_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.job_id} is {self.donor_id}"
