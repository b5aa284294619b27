"""What to look for, as worked out last, and how far the next working-out has come."""

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from workshop.scoping import WorkshopOwned


class LookedFor(WorkshopOwned):
    """A model family, or a model number without one, whose arrival would complete waiting jobs.

    jobs: [{"job", "ref", "p", "needs": [{"need", "kind", "position", "p_fit", "p_good",
    "price_cents"}]}], likeliest first: how its parts would be promised. breaks: sentences.
    """

    appliance = models.ForeignKey("donors.Appliance", on_delete=models.CASCADE, related_name="+")
    make = models.ForeignKey("donors.Make", on_delete=models.CASCADE, related_name="+")
    family = models.CharField(max_length=60, blank=True)
    number_key = models.CharField(max_length=80, blank=True, help_text="where no family is known")
    expected_jobs = models.FloatField(help_text="the sum of the jobs' chances")
    expected_cents = models.FloatField()
    jobs = models.JSONField()
    names = models.JSONField(default=list, help_text="model numbers of those jobs, as printed")
    breaks = models.JSONField(default=list)
    worked_out_at = models.DateTimeField()

    class Meta:
        ordering: ClassVar = ["-expected_jobs", "id"]
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(
                fields=["workshop", "appliance", "make", "family", "number_key"],
                name="looked_for_once",
            ),
            models.CheckConstraint(
                condition=Q(expected_jobs__gt=0, expected_cents__gte=0),
                name="looked_for_completes_something",
            ),
            models.CheckConstraint(
                condition=(Q(family="") & ~Q(number_key="")) | (~Q(family="") & Q(number_key="")),
                name="looked_for_is_a_family_or_a_number",
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["workshop", "-expected_jobs", "id"], name="looked_for_best_first"),
        ]

    def __str__(self) -> str:
        return f"{self.make} {self.family or self.number_key}"


class Looking(WorkshopOwned):
    """How far the list of a workshop is worked out. One row a workshop.

    seen: what the needs, parts and fittings were like when it began (looking_for.state_of).
    after: the last family done; "" where none is, or all are.
    """

    asked_at = models.DateTimeField(null=True, blank=True)
    began_at = models.DateTimeField(null=True, blank=True)
    after = models.CharField(max_length=600, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    seen = models.CharField(max_length=120, blank=True)

    class Meta:
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["workshop"], name="looking_one_a_workshop"),
            models.CheckConstraint(
                condition=Q(after="") | Q(began_at__isnull=False),
                name="looking_has_begun_where_some_are_done",
            ),
            models.CheckConstraint(
                condition=Q(began_at__isnull=True)
                | Q(ended_at__isnull=True)
                | Q(began_at__gte=F("ended_at")),
                name="looking_begins_after_it_ended",
            ),
        ]

    def __str__(self) -> str:
        return f"looking in {self.workshop_id}"
