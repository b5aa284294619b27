"""What running the service leaves on record: sweeps, and events somebody tried again."""

from typing import ClassVar

from django.db import models

from workshop.scoping import WorkshopOwned


class SweepPulse(models.Model):
    """When the sweep last ended and how it went: one row, id 1."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1)
    ended_at = models.DateTimeField()
    mended = models.PositiveIntegerField(default=0)
    failed = models.PositiveSmallIntegerField(default=0, help_text="repairs that raised")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=models.Q(id=1), name="sweep_pulse_is_one_row"),
        ]


class Replay(WorkshopOwned):
    """An event given up on was made due again: by whom, when, and what it had failed of."""

    event = models.ForeignKey("workshop.OutboxEvent", on_delete=models.CASCADE, related_name="+")
    member = models.ForeignKey(
        "workshop.Member",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="empty: whoever runs the server, by command",
    )
    at = models.DateTimeField()
    gave_up_at = models.DateTimeField()
    error = models.TextField(blank=True)

    class Meta:
        ordering: ClassVar = ["-at", "-id"]
        indexes: ClassVar = [
            models.Index(fields=["workshop", "-at", "-id"], name="replays_latest"),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=models.Q(at__gte=models.F("gave_up_at")), name="replay_after_giving_up"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.event_id} tried again"
