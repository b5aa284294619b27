"""Files somebody uploaded to be imported, from the table to what became of it."""

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import Q

from workshop.scoping import WorkshopOwned


class FileImport(WorkshopOwned):
    """One uploaded table: how its columns are matched, what a check or the storing came to."""

    class State(models.TextChoices):
        OPEN = "open", "columns to be looked at"
        CHECKING = "checking", "is being checked"
        CHECKED = "checked", "checked, nothing stored yet"
        REFUSED = "refused", "cannot be stored as it is"
        STORING = "storing", "is being stored"
        STORED = "stored", "stored"
        UNDOING = "undoing", "is being undone"
        UNDONE = "undone", "undone"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    kind = models.CharField(max_length=20)
    name = models.CharField(max_length=200)
    by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    uploaded_at = models.DateTimeField()
    state = models.CharField(max_length=10, choices=State, default=State.OPEN)
    since = models.DateTimeField(help_text="when it came into this state")
    table = models.JSONField(default=dict, help_text="as exchange/tables.py keeps it; {} once done")
    row_count = models.PositiveIntegerField()
    places = models.JSONField(default=dict, help_text="column of the kind: column of the file")
    # What was done or would be: the tally, and problems as [row, column, found, message].
    tally: Any = models.JSONField(default=dict)
    problems = models.JSONField(default=list)
    problem_count = models.PositiveIntegerField(default=0)
    stored_at = models.DateTimeField(null=True, blank=True)
    added_ids = models.JSONField(default=list, help_text="of the rows it added")
    # exchange/undoing.py: of the rows on record it names when checked, of those it added once
    # stored, by id.
    digests = models.JSONField(default=dict)
    stays = models.TextField(blank=True, help_text="why it cannot be undone; blank: it may be")

    class Meta:
        ordering: ClassVar = ["-uploaded_at", "-id"]
        indexes: ClassVar = [
            models.Index(fields=["workshop", "-uploaded_at", "-id"], name="imports_latest"),
            models.Index(fields=["since"], name="imports_by_age"),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(state__in=["stored", "undoing", "undone"], stored_at__isnull=False)
                | Q(
                    state__in=["open", "checking", "checked", "refused", "storing"],
                    stored_at__isnull=True,
                ),
                name="import_stored_at_a_moment",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.kind})"

    @property
    def is_under_way(self) -> bool:
        return self.state in {self.State.CHECKING, self.State.STORING, self.State.UNDOING}
