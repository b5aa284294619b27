"""Machines: what kinds there are, which model numbers are known, which donors came in."""

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from donors.change_models import DonorChange as DonorChange
from donors.domain.build_dates import Scheme
from donors.listing_models import Listing as Listing
from donors.listing_models import ListingKey as ListingKey
from donors.listing_models import ListingSighting as ListingSighting
from donors.machine_columns import MachineColumns
from workshop.scoping import WorkshopOwned


class Appliance(models.Model):
    """Reference: a kind of household machine."""

    slug = models.SlugField(max_length=40, primary_key=True)
    name = models.CharField(max_length=60)
    mean_life_years = models.FloatField(null=True)
    mass_kg_low = models.FloatField(null=True)
    mass_kg_high = models.FloatField(null=True)
    two_persons = models.BooleanField(default=False)
    plate_places = models.JSONField(default=list)
    source = models.TextField()

    class Meta:
        ordering: ClassVar = ["name"]

    def __str__(self) -> str:
        return self.name


class FailureCause(models.Model):
    """Reference: why a machine was scrapped. Decides which of its parts are good."""

    appliance = models.ForeignKey(Appliance, on_delete=models.CASCADE, related_name="causes")
    slug = models.SlugField(max_length=40)
    name = models.CharField(max_length=80)
    words = models.JSONField(default=list, help_text="words that name it in free text")
    spoils_parts = models.BooleanField(
        default=False, help_text="fire or flood: no part is sold, whatever it measures"
    )
    source = models.TextField()

    class Meta:
        ordering: ClassVar = ["appliance", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["appliance", "slug"], name="cause_once_per_appliance"),
        ]

    def __str__(self) -> str:
        return self.name


class Make(WorkshopOwned):
    """A maker's name, its other spellings and the pattern of its model numbers."""

    name = models.CharField(max_length=80)
    key = models.CharField(max_length=80, editable=False, help_text="canonical form of the name")
    aliases = models.JSONField(default=list, blank=True)
    pattern = models.CharField(max_length=200, blank=True)
    date_code = models.CharField(
        max_length=16,
        blank=True,
        choices=[(scheme.name, scheme.value) for scheme in Scheme],
        help_text="how its build-date codes are written",
    )
    date_code_start = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="place in the serial number where the code begins, from 1"
    )
    # What its numbers propose, and from how many: read by while nobody has stored a pattern.
    guessed_pattern = models.CharField(max_length=200, blank=True, editable=False)
    guessed_from = models.PositiveIntegerField(default=0, editable=False)

    class Meta:
        ordering: ClassVar = ["name"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "key"], name="make_once_per_workshop"),
            models.CheckConstraint(
                condition=Q(date_code__in=["", *Scheme.__members__]), name="make_date_code_is_known"
            ),
            models.CheckConstraint(
                condition=Q(date_code_start__isnull=True)
                | (Q(date_code_start__gte=1) & ~Q(date_code="")),
                name="make_date_code_start_has_a_code",
            ),
            models.CheckConstraint(condition=~Q(key=""), name="make_has_a_name"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def reads_by(self) -> str:
        """The pattern its numbers are read by: the stored one, else the guessed one."""
        return self.pattern or self.guessed_pattern


class ModelNumber(WorkshopOwned):
    """A distinct known model number, perhaps with open positions (`*`, `#`)."""

    make = models.ForeignKey(Make, on_delete=models.CASCADE, related_name="numbers")
    number = models.CharField(max_length=80, help_text="as printed")
    canonical = models.CharField(max_length=80, editable=False)
    folded = models.CharField(max_length=80, editable=False)
    wildcard = models.BooleanField(default=False, editable=False)
    appliance = models.ForeignKey(
        Appliance, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    family = models.CharField(max_length=60, blank=True)
    # When the last unit was placed on the market, as far as it is known: a day, a year.
    last_sold_from = models.DateField(null=True, blank=True)
    last_sold_to = models.DateField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop", "make", "canonical"], name="model_once_per_make"
            ),
            models.CheckConstraint(
                condition=Q(last_sold_from__isnull=True, last_sold_to__isnull=True)
                | Q(last_sold_from__isnull=False, last_sold_to__gte=F("last_sold_from")),
                name="model_last_sold_runs_forward",
            ),
            models.CheckConstraint(condition=~Q(canonical=""), name="model_has_a_number"),
        ]
        indexes: ClassVar = [
            models.Index(fields=["workshop", "canonical"], name="model_by_canonical"),
            models.Index(fields=["workshop", "folded"], name="model_by_folded"),
        ]

    def __str__(self) -> str:
        return self.number


class ModelAlias(WorkshopOwned):
    """Another name of a known model: a commercial code, a number without its market."""

    model = models.ForeignKey(ModelNumber, on_delete=models.CASCADE, related_name="aliases")
    alias = models.CharField(max_length=80)
    canonical = models.CharField(max_length=80, editable=False)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["model", "canonical"], name="alias_once_per_model"),
            models.CheckConstraint(condition=~Q(canonical=""), name="alias_has_a_name"),
        ]
        indexes: ClassVar = [
            models.Index(fields=["workshop", "canonical"], name="alias_by_canonical"),
        ]


class CatalogueClock(models.Model):
    """How often the known numbers of a workshop changed, and a mark of the last change.

    Written by triggers (donors/change_log.py) in the transaction that changes a number; its
    row lock makes changes visible in the order they are counted. The mark tells a count that
    was rolled back from the one that took its place. No foreign key: it outlives a workshop.
    """

    workshop_id = models.BigIntegerField(primary_key=True)
    seq = models.BigIntegerField()
    mark = models.CharField(max_length=32)

    def __str__(self) -> str:
        return f"{self.workshop_id}: {self.seq}"


class NumberChange(models.Model):
    """One known number that was added, changed or removed; written by triggers alone."""

    workshop_id = models.BigIntegerField()
    seq = models.BigIntegerField()
    mark = models.CharField(max_length=32)
    model_id = models.BigIntegerField()

    class Meta:
        ordering: ClassVar = ["workshop_id", "seq", "id"]
        indexes: ClassVar = [
            models.Index(fields=["workshop_id", "seq"], name="number_changes_in_order"),
        ]

    def __str__(self) -> str:
        return f"{self.workshop_id}/{self.seq}: {self.model_id}"


class Donor(MachineColumns):
    """A scrapped machine kept to be stripped."""

    class State(models.TextChoices):
        WHOLE = "whole", "whole"
        STRIPPING = "stripping", "being stripped"
        STRIPPED = "stripped", "stripped"
        GONE = "gone", "gone"

    ref = models.CharField(max_length=40)
    state = models.CharField(max_length=10, choices=State.choices, default=State.WHOLE)
    received_on = models.DateField()
    cause = models.ForeignKey(
        FailureCause, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    note = models.TextField(blank=True)
    arrival = models.UUIDField(
        default=uuid.uuid4, editable=False, help_text="new each time the machine comes in"
    )
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta(MachineColumns.Meta):
        ordering: ClassVar = ["-received_on", "-id"]
        constraints: ClassVar[list[Any]] = [
            *MachineColumns.Meta.constraints,
            models.UniqueConstraint(fields=["workshop", "ref"], name="donor_ref_once"),
            models.CheckConstraint(
                condition=Q(state__in=["whole", "stripping", "stripped", "gone"]),
                name="donor_state_is_known",
            ),
        ]

    def __str__(self) -> str:
        return self.ref
