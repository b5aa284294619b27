"""What was corrected on a machine's record: who, when, what it said before."""

from typing import Any, ClassVar

from django.db import models

from workshop.scoping import WorkshopOwned

MOST_WORDS = 200


class ChangeColumns(WorkshopOwned):
    """One line of a short record: what was changed, from what to what. Never altered itself.

    what: the field, in words. before, after: as people read them, "" for nothing.
    """

    what = models.CharField(max_length=120)
    before = models.TextField(blank=True)
    after = models.TextField(blank=True)
    why = models.CharField(max_length=MOST_WORDS, blank=True)
    by = models.ForeignKey(
        "workshop.Member",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="empty where it followed from something else",
    )
    at = models.DateTimeField()

    class Meta:
        abstract = True
        ordering: ClassVar = ["-at", "-id"]
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=~models.Q(what=""), name="%(class)s_names_what_was_changed"
            ),
        ]

    def __str__(self) -> str:
        return self.what


class DonorChange(ChangeColumns):
    """What was corrected of a donor."""

    donor = models.ForeignKey("donors.Donor", on_delete=models.CASCADE, related_name="changes")
