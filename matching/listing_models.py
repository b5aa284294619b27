"""Which open needs a machine for sale elsewhere would serve."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from matching.domain.verdicts import Verdict
from workshop.scoping import WorkshopOwned

VERDICTS = [(verdict.value, verdict.label) for verdict in Verdict]


class ListingMatch(WorkshopOwned):
    """The best part a listed machine is expected to have for one need.

    No such part is in stock: it is never held, allocated or counted (docs/adr/0017).
    p_fit: with what is read of the model believed as far as it goes; p_fit_if_said: if the
    machine is the model read.
    """

    listing = models.ForeignKey("donors.Listing", on_delete=models.CASCADE, related_name="matches")
    need = models.ForeignKey(
        "matching.Need", on_delete=models.CASCADE, related_name="listing_matches"
    )
    kind = models.ForeignKey("parts.PartKind", on_delete=models.PROTECT, related_name="+")
    position = models.CharField(max_length=40, blank=True)
    verdict = models.CharField(max_length=16, choices=VERDICTS)
    p_fit = models.FloatField()
    p_fit_if_said = models.FloatField()
    p_good = models.FloatField()
    worth = models.FloatField(help_text="P(fit) times P(good)")
    reasons = models.JSONField(default=list)
    scored_at = models.DateTimeField()

    class Meta:
        ordering: ClassVar = ["-worth", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["listing", "need"], name="listing_match_once"),
            models.CheckConstraint(
                condition=Q(p_fit__gte=0, p_fit__lte=1, p_good__gte=0, p_good__lte=1)
                & Q(p_fit_if_said__gte=0, p_fit_if_said__lte=1),
                name="listing_match_odds_are_probabilities",
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["need", "-worth"], name="listing_match_best_first"),
        ]

    def __str__(self) -> str:
        return f"{self.listing_id} for {self.need_id}: {self.verdict}"
