"""Machines for sale elsewhere: what was read of each, when it was seen, what was asked."""

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from donors.machine_columns import MachineColumns
from workshop.scoping import WorkshopOwned


class Listing(MachineColumns):
    """A machine for sale elsewhere. No part of it is in stock (docs/adr/0017).

    appliance is empty while nobody knows it. read: what was found and by which words, as
    donors/listings/findings.py writes it. stated: what a person corrected, never read over.
    """

    class State(models.TextChoices):
        OPEN = "open", "for sale"
        BOUGHT = "bought", "bought"
        GONE = "gone", "gone"
        DECLINED = "declined", "not worth it"
        EXPIRED = "expired", "expired"

    class Source(models.TextChoices):
        TEXT = "text", "pasted text"
        FEED = "feed", "saved feed"
        CSV = "csv", "CSV file"
        EMAIL = "email", "e-mail file"

    appliance = models.ForeignKey(  # type: ignore[assignment]
        "donors.Appliance", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    ref = models.CharField(max_length=40)
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    source = models.CharField(max_length=8, choices=Source.choices, default=Source.TEXT)
    title = models.CharField(max_length=200)
    text = models.TextField(help_text="as it was given, tags and all")
    link = models.CharField(max_length=500, blank=True, help_text="its address or id elsewhere")
    link_key = models.CharField(max_length=64, blank=True, editable=False)
    cause = models.ForeignKey(
        "donors.FailureCause", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    price_cents = models.PositiveIntegerField(null=True, blank=True)
    price_low_cents = models.PositiveIntegerField(null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)
    read = models.JSONField(default=dict, editable=False)
    stated = models.JSONField(default=list, editable=False)
    seen_on = models.DateField(help_text="first seen")
    last_seen_on = models.DateField()
    expires_on = models.DateField(help_text="not counted with after this day")
    collection_cents = models.PositiveIntegerField(
        null=True, blank=True, help_text="what fetching it costs; empty: the workshop's usual"
    )
    margin_percent = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="part of its worth kept; empty: the workshop's usual"
    )
    closed_on = models.DateField(null=True, blank=True)
    why_closed = models.CharField(max_length=200, blank=True)
    donor = models.OneToOneField(
        "donors.Donor", on_delete=models.PROTECT, null=True, blank=True, related_name="listing"
    )
    paid_cents = models.PositiveIntegerField(null=True, blank=True)
    added_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta(MachineColumns.Meta):
        ordering: ClassVar = ["-seen_on", "-id"]
        constraints: ClassVar[list[Any]] = [
            *MachineColumns.Meta.constraints,
            models.UniqueConstraint(fields=["workshop", "ref"], name="listing_ref_once"),
            models.UniqueConstraint(
                fields=["workshop", "link_key"], condition=~Q(link_key=""), name="listing_link_once"
            ),
            models.CheckConstraint(
                condition=Q(
                    state__in=["open", "gone", "declined", "expired"],
                    donor__isnull=True,
                    paid_cents__isnull=True,
                )
                | Q(state="bought", donor__isnull=False, paid_cents__isnull=False),
                name="listing_bought_is_a_donor",
            ),
            models.CheckConstraint(
                condition=Q(state="open", closed_on__isnull=True)
                | ~Q(state="open") & Q(closed_on__isnull=False),
                name="listing_end_has_its_day",
            ),
            models.CheckConstraint(
                condition=Q(price_cents__isnull=True, price_low_cents__isnull=True)
                | Q(
                    # Said outright: a comparison with an empty column passes a check.
                    price_cents__isnull=False,
                    price_low_cents__isnull=False,
                    price_cents__gte=F("price_low_cents"),
                ),
                name="listing_price_runs_upwards",
            ),
            models.CheckConstraint(
                condition=Q(margin_percent__isnull=True) | Q(margin_percent__lte=100),
                name="listing_margin_is_a_share",
            ),
            models.CheckConstraint(
                condition=Q(last_seen_on__gte=F("seen_on"), expires_on__gte=F("seen_on")),
                name="listing_seen_forward",
            ),
            models.CheckConstraint(condition=~Q(text="") & ~Q(title=""), name="listing_says_words"),
            models.CheckConstraint(
                condition=Q(source__in=["text", "feed", "csv", "email"]),
                name="listing_source_is_known",
            ),
        ]
        indexes: ClassVar[list[Any]] = [
            *MachineColumns.Meta.indexes,
            models.Index(
                fields=["expires_on"], condition=Q(state="open"), name="listing_may_expire"
            ),
            models.Index(fields=["workshop", "state", "-seen_on", "-id"], name="listing_by_state"),
        ]

    def __str__(self) -> str:
        return self.ref

    @property
    def is_open(self) -> bool:
        return self.state == self.State.OPEN


class ListingSighting(WorkshopOwned):
    """One time a listing was seen, and what was asked then."""

    listing = models.ForeignKey(Listing, on_delete=models.CASCADE, related_name="sightings")
    seen_on = models.DateField()
    price_cents = models.PositiveIntegerField(null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)
    source = models.CharField(max_length=8, choices=Listing.Source.choices)
    link = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering: ClassVar = ["seen_on", "id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(source__in=["text", "feed", "csv", "email"]),
                name="listing_sighting_source_is_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.listing_id} on {self.seen_on}"


class ListingKey(WorkshopOwned):
    """One key of a listing's text: near-same texts share one (domain/listings/alike.py)."""

    listing = models.ForeignKey(Listing, on_delete=models.CASCADE, related_name="keys")
    key = models.BigIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "key", "listing"], name="listing_key_once"),
        ]
