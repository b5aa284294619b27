"""Who gets which part: proposals, what persons decided, and the last allocation."""

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from workshop.scoping import WorkshopOwned


class Proposal(WorkshopOwned):
    """A part proposed to one need until it is accepted, declined or over.

    At most one stands for each part and each need; the database sees to it. A pair that was
    declined or let lapse is not proposed again until it is reopened.
    """

    class State(models.TextChoices):
        OPEN = "open", "waiting for an answer"
        ACCEPTED = "accepted", "accepted"
        DECLINED = "declined", "declined"
        LAPSED = "lapsed", "lapsed"
        WITHDRAWN = "withdrawn", "withdrawn"

    part = models.ForeignKey("parts.Part", on_delete=models.CASCADE, related_name="proposals")
    need = models.ForeignKey("matching.Need", on_delete=models.CASCADE, related_name="proposals")
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    p_fit = models.FloatField()
    p_good = models.FloatField()
    proposed_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    note = models.CharField(max_length=200, blank=True)
    reopened_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["-proposed_at", "-id"]
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(
                fields=["part"], condition=Q(state="open"), name="proposal_one_per_part"
            ),
            models.UniqueConstraint(
                fields=["need"], condition=Q(state="open"), name="proposal_one_per_need"
            ),
            models.CheckConstraint(
                condition=Q(state="open", ended_at__isnull=True)
                | Q(
                    state__in=["accepted", "declined", "lapsed", "withdrawn"],
                    ended_at__isnull=False,
                ),
                name="proposal_end_has_its_moment",
            ),
            models.CheckConstraint(
                condition=~Q(state="declined") | ~Q(note="") & Q(ended_by__isnull=False),
                name="proposal_declined_says_why",
            ),
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("proposed_at")), name="proposal_expires_later"
            ),
            models.CheckConstraint(
                condition=Q(p_fit__gte=0, p_fit__lte=1, p_good__gte=0, p_good__lte=1),
                name="proposal_odds_are_probabilities",
            ),
            models.CheckConstraint(
                condition=Q(reopened_at__isnull=True) | Q(state__in=["declined", "lapsed"]),
                name="proposal_reopened_was_let_go",
            ),
        ]
        indexes: ClassVar = [
            models.Index(
                fields=["expires_at"], condition=Q(state="open"), name="proposal_standing"
            ),
            # Pairs not to be proposed again.
            models.Index(
                fields=["workshop", "need", "part"],
                condition=Q(state__in=["declined", "lapsed"], reopened_at__isnull=True),
                name="proposal_let_go",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part_id} proposed to {self.need_id}"


class KeptBack(WorkshopOwned):
    """What a person keeps out of the allocation: a part, a need, or one part from one need."""

    part = models.ForeignKey(
        "parts.Part", on_delete=models.CASCADE, null=True, blank=True, related_name="kept_back"
    )
    need = models.ForeignKey(
        "matching.Need", on_delete=models.CASCADE, null=True, blank=True, related_name="kept_back"
    )
    note = models.CharField(max_length=200)
    by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    undone_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["-at", "-id"]
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=Q(part__isnull=False) | Q(need__isnull=False),
                name="kept_back_names_something",
            ),
            models.CheckConstraint(condition=~Q(note=""), name="kept_back_says_why"),
            models.CheckConstraint(
                condition=Q(undone_at__isnull=True, undone_by__isnull=True)
                | Q(undone_at__isnull=False, undone_by__isnull=False),
                name="kept_back_undone_has_who_and_when",
            ),
            models.UniqueConstraint(
                fields=["part", "need"],
                condition=Q(undone_at__isnull=True, part__isnull=False, need__isnull=False),
                name="kept_back_pair_once",
            ),
            models.UniqueConstraint(
                fields=["part"],
                condition=Q(undone_at__isnull=True, need__isnull=True),
                name="kept_back_part_once",
            ),
            models.UniqueConstraint(
                fields=["need"],
                condition=Q(undone_at__isnull=True, part__isnull=True),
                name="kept_back_need_once",
            ),
        ]

    def __str__(self) -> str:
        return f"kept back: part {self.part_id}, need {self.need_id}"


class LastAllocation(WorkshopOwned):
    """What the last allocation came to, and whether something has changed since.

    passed: a list of {"job", "need", "part", "to", "because", "days"}, ids and a code of
    domain/allocation/passing.py: the jobs that go empty and why.
    """

    due = models.BooleanField(
        default=True, help_text="something has changed; the sweep has it worked out anew"
    )
    touched = models.PositiveIntegerField(
        default=0, editable=False, help_text="how often what it rests on changed"
    )
    made_at = models.DateTimeField(null=True, blank=True)
    jobs = models.PositiveIntegerField(default=0, help_text="open jobs with an open need")
    completed = models.PositiveIntegerField(default=0)
    at_most = models.PositiveIntegerField(default=0)
    proven = models.BooleanField(default=True)
    pairs = models.PositiveIntegerField(default=0)
    passed = models.JSONField(default=list)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop"], name="allocation_one_a_workshop"),
            models.CheckConstraint(
                condition=Q(completed__lte=F("at_most")), name="allocation_within_what_can_be"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.completed} of {self.jobs} jobs"
