"""How alerts are passed on: what members chose, where webhooks go, and what was sent.

The inbox row is the alert and is there exactly once. A delivery is sent at least once; its id,
which the receiver sees, is the same each time.
"""

import uuid
from datetime import time
from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from matching.domain.echo.times import Way
from workshop.scoping import WorkshopOwned

WAYS = [
    (Way.AT_ONCE.value, "at once"),
    (Way.DAILY.value, "once a day"),
    (Way.OFF.value, "not by mail"),
]


class EchoSettings(WorkshopOwned):
    """A member's address for mail, their times, and their feed. One row a member."""

    member = models.OneToOneField(
        "workshop.Member", on_delete=models.CASCADE, related_name="echo_settings"
    )
    mail_on = models.BooleanField(default=False)
    address = models.EmailField(blank=True)
    # The address whose holder said that alerts may come: mailed is only while it is `address`.
    confirmed = models.EmailField(blank=True, editable=False)
    time_zone = models.CharField(max_length=64, default="UTC")
    daily_at = models.TimeField(default=time(7, 0))
    quiet_from = models.TimeField(null=True, blank=True)
    quiet_to = models.TimeField(null=True, blank=True)
    # SHA-256 of the token in the feed's address; "" while there is no feed.
    feed_hash = models.CharField(max_length=64, blank=True, editable=False)
    feed_id = models.UUIDField(default=uuid.uuid4, editable=False)
    feed_made_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["feed_hash"], condition=~Q(feed_hash=""), name="echo_feed_by_hash"
            ),
            models.CheckConstraint(
                condition=Q(mail_on=False) | ~Q(address=""), name="echo_mail_needs_an_address"
            ),
            models.CheckConstraint(
                condition=Q(quiet_from__isnull=True, quiet_to__isnull=True)
                | (
                    Q(quiet_from__isnull=False, quiet_to__isnull=False)
                    & ~Q(quiet_from=F("quiet_to"))
                ),
                name="echo_quiet_hours_begin_and_end",
            ),
            models.CheckConstraint(
                condition=Q(feed_hash="") | Q(feed_made_at__isnull=False),
                name="echo_feed_was_made_some_day",
            ),
        ]

    def __str__(self) -> str:
        return f"echo settings of member {self.member_id}"


class EchoChoice(WorkshopOwned):
    """What a member chose for one kind of news. Without a row: mailed at once, in the feed."""

    settings = models.ForeignKey(EchoSettings, on_delete=models.CASCADE, related_name="choices")
    news = models.CharField(max_length=8)
    mail = models.CharField(max_length=8, choices=WAYS, default=Way.AT_ONCE.value)
    in_feed = models.BooleanField(default=True)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["settings", "news"], name="echo_choice_once_a_kind"),
            models.CheckConstraint(
                condition=Q(mail__in=[way for way, _ in WAYS]), name="echo_way_is_known"
            ),
            models.CheckConstraint(condition=~Q(news=""), name="echo_choice_names_its_kind"),
        ]

    def __str__(self) -> str:
        return f"{self.news}: {self.mail}"


class WebhookEndpoint(WorkshopOwned):
    """Where a workshop's alerts are sent by webhook. The secret itself is not stored.

    It is derived from the site's key and `seed` (echo/secrets.py); `check_sum` tells which of
    the site's keys it was made with. While it is being replaced both count, until `old_until`.
    """

    name = models.CharField(max_length=80)
    url = models.CharField(max_length=500)
    leaves_out = models.JSONField(default=list, blank=True, help_text="kinds of news not sent")
    seed = models.CharField(max_length=64, editable=False)
    check_sum = models.CharField(max_length=64, editable=False)
    old_seed = models.CharField(max_length=64, blank=True, editable=False)
    old_check_sum = models.CharField(max_length=64, blank=True, editable=False)
    old_until = models.DateTimeField(null=True, blank=True, editable=False)
    added_by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField()
    paused_at = models.DateTimeField(null=True, blank=True)
    paused_because = models.CharField(max_length=200, blank=True)
    failing_since = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["workshop", "url"], name="webhook_once_an_address"),
            models.CheckConstraint(
                condition=Q(paused_at__isnull=True, paused_because="")
                | (Q(paused_at__isnull=False) & ~Q(paused_because="")),
                name="webhook_pause_has_a_reason",
            ),
            models.CheckConstraint(
                condition=~Q(url="") & ~Q(name="") & ~Q(seed="") & ~Q(check_sum=""),
                name="webhook_is_whole",
            ),
            models.CheckConstraint(
                condition=Q(old_until__isnull=True, old_seed="", old_check_sum="")
                | (Q(old_until__isnull=False) & ~Q(old_seed="") & ~Q(old_check_sum="")),
                name="webhook_old_secret_has_an_end",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Delivery(WorkshopOwned):
    """One mail or one webhook: what is sent, how often it was tried, what became of it.

    available_at: when it is next tried; null while its endpoint is paused.
    """

    class Channel(models.TextChoices):
        MAIL = "mail", "mail"
        WEBHOOK = "webhook", "webhook"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    channel = models.CharField(max_length=8, choices=Channel.choices)
    member = models.ForeignKey(
        "workshop.Member", on_delete=models.CASCADE, null=True, related_name="deliveries"
    )
    endpoint = models.ForeignKey(
        WebhookEndpoint, on_delete=models.CASCADE, null=True, related_name="deliveries"
    )
    asks = models.EmailField(
        blank=True, help_text="a mail without alerts: asks this address whether alerts may come"
    )
    request_id = models.CharField(
        max_length=64, blank=True, default="", help_text="what caused it (its first alert)"
    )
    made_at = models.DateTimeField()
    available_at = models.DateTimeField(null=True)
    leased_until = models.DateTimeField(null=True, blank=True)
    lease = models.UUIDField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    tried_at = models.DateTimeField(null=True, blank=True)
    last_status = models.PositiveSmallIntegerField(null=True, blank=True)
    last_error = models.CharField(max_length=300, blank=True)
    done_at = models.DateTimeField(null=True, blank=True)
    dropped = models.CharField(
        max_length=80, blank=True, help_text="why it was closed without being sent"
    )
    dead_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["made_at", "id"]
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=Q(channel="mail", member__isnull=False, endpoint__isnull=True)
                | Q(channel="webhook", member__isnull=True, endpoint__isnull=False),
                name="delivery_goes_to_one",
            ),
            models.CheckConstraint(
                condition=Q(asks="") | Q(channel="mail"), name="delivery_asks_by_mail"
            ),
            models.CheckConstraint(
                condition=Q(done_at__isnull=True) | Q(dead_at__isnull=True),
                name="delivery_done_or_dead_not_both",
            ),
            models.CheckConstraint(
                condition=Q(dropped="") | Q(done_at__isnull=False), name="delivery_dropped_is_done"
            ),
            models.CheckConstraint(
                condition=Q(lease__isnull=True, leased_until__isnull=True)
                | Q(lease__isnull=False, leased_until__isnull=False),
                name="delivery_lease_has_an_end",
            ),
        ]
        indexes: ClassVar = [
            # The claim: what is open, oldest first.
            models.Index(
                fields=["available_at"],
                condition=Q(done_at__isnull=True, dead_at__isnull=True),
                name="delivery_open",
            ),
            models.Index(fields=["endpoint", "-made_at"], name="delivery_by_endpoint"),
            models.Index(
                fields=["workshop"], condition=Q(dead_at__isnull=False), name="delivery_dead"
            ),
            models.Index(
                fields=["done_at"], condition=Q(done_at__isnull=False), name="delivery_age"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.channel} {self.id}"

    @property
    def state(self) -> str:
        """Return waiting, held, sent, dropped or given up."""
        if self.dead_at:
            return "given up"
        if self.done_at:
            return "dropped" if self.dropped else "sent"
        return "held" if self.available_at is None else "waiting"


class DeliveredAlert(WorkshopOwned):
    """Which alert goes with which delivery. An alert goes to each target once."""

    delivery = models.ForeignKey(Delivery, on_delete=models.CASCADE, related_name="alerts")
    alert = models.ForeignKey("matching.Alert", on_delete=models.CASCADE, related_name="echoes")
    endpoint = models.ForeignKey(
        WebhookEndpoint, on_delete=models.CASCADE, null=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(
                fields=["alert"], condition=Q(endpoint__isnull=True), name="alert_mailed_once"
            ),
            models.UniqueConstraint(
                fields=["alert", "endpoint"],
                condition=Q(endpoint__isnull=False),
                name="alert_sent_once_an_endpoint",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.alert_id} by {self.delivery_id}"
