"""Workshops, their members, and the outbox through which news travels."""

import uuid
from typing import ClassVar

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from workshop.scoping import WorkshopOwned


class User(AbstractUser):
    """Someone who can sign in. What they may do is said by their memberships."""


# What a workshop may set. Our own limits.
MOST_HOLD_DAYS, MOST_WAIT_DAYS, MOST_PROPOSAL_HOURS = 90, 366, 720


class Workshop(models.Model):
    """One business on this server. Sees nothing of the others."""

    name = models.CharField(max_length=120)
    slug = models.SlugField(max_length=60, unique=True)
    currency = models.CharField(max_length=3, default="EUR", help_text="ISO 4217 code")
    alert_from_p_fit = models.FloatField(
        default=0.5, help_text="a technician is told of matches at least this likely to fit"
    )
    hold_days = models.PositiveSmallIntegerField(
        default=5, help_text="a hold lapses after this many days (common practice: 3 to 7)"
    )
    proposal_hours = models.PositiveSmallIntegerField(
        default=48, help_text="a part proposed to a job falls to the next after this (our choice)"
    )
    wait_days = models.PositiveSmallIntegerField(
        default=30, help_text="a job waits this long unless said otherwise (common practice)"
    )
    first_review_days = models.PositiveSmallIntegerField(
        default=14, help_text="a waiting job is looked at again after so many days (guide)"
    )
    second_review_days = models.PositiveSmallIntegerField(
        default=28, help_text="and once more after so many days (guide)"
    )
    strip_rate_per_min = models.FloatField(
        default=0.6, help_text="what a minute of stripping costs, in the workshop's money"
    )
    label_address = models.CharField(
        max_length=120, blank=True, help_text="the site's address on labels; blank: the bare code"
    )
    listing_days = models.PositiveSmallIntegerField(
        default=21, help_text="a listing not seen again expires after this many days"
    )
    listing_collection_cents = models.PositiveIntegerField(
        default=2000, help_text="what fetching a machine costs, unless said otherwise"
    )
    listing_margin_percent = models.PositiveSmallIntegerField(
        default=25, help_text="part of a listed machine's worth that is kept, in percent"
    )
    photo_quota_mb = models.PositiveIntegerField(
        default=2000, help_text="megabytes its photos may take on disk"
    )
    # Something came in that may say more of the patterns of makes; the sweep looks, then clears it.
    patterns_due = models.DateTimeField(null=True, blank=True, editable=False)
    is_demo = models.BooleanField(default=False)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar = ["slug"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(alert_from_p_fit__gte=0) & Q(alert_from_p_fit__lte=1),
                name="workshop_alert_from_is_a_probability",
            ),
            models.CheckConstraint(
                condition=Q(
                    hold_days__gte=1,
                    hold_days__lte=MOST_HOLD_DAYS,
                    wait_days__gte=1,
                    wait_days__lte=MOST_WAIT_DAYS,
                ),
                name="workshop_days_are_positive",
            ),
            models.CheckConstraint(
                condition=Q(proposal_hours__gte=1, proposal_hours__lte=MOST_PROPOSAL_HOURS),
                name="workshop_proposal_hours_can_be",
            ),
            models.CheckConstraint(
                condition=Q(
                    first_review_days__gte=1,
                    second_review_days__gt=F("first_review_days"),
                    second_review_days__lte=366,
                ),
                name="workshop_reviews_follow_each_other",
            ),
            models.CheckConstraint(
                condition=Q(
                    listing_days__gte=1, listing_days__lte=365, listing_margin_percent__lte=100
                ),
                name="workshop_listing_terms_can_be",
            ),
            models.CheckConstraint(
                condition=Q(strip_rate_per_min__gte=0, strip_rate_per_min__lte=1000),
                name="workshop_strip_rate_can_be",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    """What a member does. Each role may do what the ones before it may (see members.py)."""

    CATALOGUER = "cataloguer", "cataloguer"
    TECHNICIAN = "technician", "technician"
    REVIEWER = "reviewer", "reviewer"
    OWNER = "owner", "owner"


class Member(WorkshopOwned):
    """A user in a workshop, with a role."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=12, choices=Role.choices)
    active = models.BooleanField(default=True)
    # What an API token this member came with allows at most; never stored.
    cap = Role.OWNER

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "user"], name="member_once_per_workshop"),
            models.CheckConstraint(condition=Q(role__in=Role.values), name="member_role_is_known"),
        ]

    def __str__(self) -> str:
        return self.user.get_full_name() or self.user.get_username()


# Certificates a person may hold for work not everybody may do (practice in the trade).
LICENCES = [
    ("refrigerant", "refrigerant handling"),
    ("gas", "gas"),
    ("electrical-safety", "electrical-safety testing"),
    ("asbestos", "asbestos awareness"),
    ("lifting", "forklift or stair climber"),
]


class Certificate(WorkshopOwned):
    """What a member may do that not everybody may, until when."""

    member = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="certificates")
    kind = models.CharField(max_length=20, choices=LICENCES)
    number = models.CharField(max_length=60, help_text="as printed on the certificate")
    valid_until = models.DateField()

    class Meta:
        ordering: ClassVar = ["member", "kind", "-valid_until", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop", "member", "kind", "number"], name="certificate_once"
            ),
            models.CheckConstraint(
                condition=Q(kind__in=[slug for slug, _ in LICENCES]),
                name="certificate_kind_is_known",
            ),
            models.CheckConstraint(condition=~Q(number=""), name="certificate_has_a_number"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.number}"


class RefCounter(WorkshopOwned):
    """The last number given out for a prefix (D-0042: prefix D, last 42)."""

    prefix = models.CharField(max_length=8)
    last = models.PositiveIntegerField(default=0)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "prefix"], name="counter_once_per_prefix"),
        ]


class KeptReply(WorkshopOwned):
    """The reply to a request that named an Idempotency-Key, kept to be sent again."""

    key = models.CharField(max_length=128)
    fingerprint = models.CharField(max_length=64, help_text="who asked for what, SHA-256")
    status = models.PositiveSmallIntegerField(default=0)
    body = models.TextField(blank=True)
    content_type = models.CharField(max_length=80, blank=True)
    kept_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "key"], name="kept_reply_once_per_key"),
        ]
        indexes: ClassVar = [
            # The sweep: replies that have been kept long enough.
            models.Index(fields=["kept_at"], name="kept_reply_age"),
        ]

    def __str__(self) -> str:
        return self.key


class OutboxEvent(WorkshopOwned):
    """A fact committed together with the write that made it true, waiting to be acted on.

    State is kept per row, never as a cursor over ids: ids commit out of order.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    kind = models.CharField(max_length=40)
    payload = models.JSONField(default=dict)
    recorded_at = models.DateTimeField(default=timezone.now)
    available_at = models.DateTimeField(default=timezone.now)
    leased_until = models.DateTimeField(null=True, blank=True)
    lease = models.UUIDField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    request_id = models.CharField(max_length=64, blank=True, default="", help_text="what caused it")
    background = models.BooleanField(
        default=False, help_text="reckoned anew: news goes before it (outbox.let_wait)"
    )
    last_error = models.TextField(blank=True)
    done_at = models.DateTimeField(null=True, blank=True)
    dead_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["recorded_at", "id"]
        indexes: ClassVar = [
            # The dispatcher's claim: what is open, oldest first.
            models.Index(
                fields=["background", "available_at"],
                condition=Q(done_at__isnull=True, dead_at__isnull=True),
                name="outbox_open",
            ),
            # The sweep: what was done long enough ago to be forgotten.
            models.Index(fields=["done_at"], condition=Q(done_at__isnull=False), name="outbox_age"),
            # What was given up on: the page, the metric.
            models.Index(
                fields=["workshop", "dead_at"],
                condition=Q(dead_at__isnull=False),
                name="outbox_dead",
            ),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(done_at__isnull=True) | Q(dead_at__isnull=True),
                name="outbox_done_or_dead_not_both",
            ),
            models.CheckConstraint(
                condition=Q(lease__isnull=True, leased_until__isnull=True)
                | Q(lease__isnull=False, leased_until__isnull=False),
                name="outbox_lease_has_an_end",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.id}"


class DispatcherPulse(models.Model):
    """One row a dispatcher process, refreshed while it runs; a stale one is a silent stall."""

    name = models.CharField(max_length=120, primary_key=True)
    beat_at = models.DateTimeField()
    handled = models.PositiveBigIntegerField(default=0)


class ReferenceRelease(models.Model):
    """Which edition of a reference file is loaded: its name and the SHA-256 of its text."""

    name = models.CharField(max_length=80, primary_key=True)
    sha256 = models.CharField(max_length=64)
    loaded_at = models.DateTimeField(auto_now=True)


from workshop.access_models import (  # noqa: E402, F401
    ApiToken,
    Invitation,
    KnownDevice,
    RecoveryCode,
    Scope,
    SecondStep,
    Tries,
)
from workshop.import_models import FileImport  # noqa: E402, F401  (tables of their own file)
from workshop.operate_models import Replay, SweepPulse  # noqa: E402, F401  (tables of their own file)
