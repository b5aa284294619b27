"""Every private row belongs to one workshop, and no query may forget that."""

from typing import Any, Self

from django.db import models


class UnscopedQuery(RuntimeError):
    """A query on private rows named no workshop. Use `.of(workshop)`."""


class ScopedManager(models.Manager[Any]):
    """Default manager of private rows: refuses every query that names no workshop.

    `unscoped()` is for the dispatcher and the sweep, which serve every workshop.
    """

    def get_queryset(self) -> models.QuerySet[Any]:
        # A related manager (donor.parts) is bounded by its instance, hence scoped already.
        if getattr(self, "instance", None) is None:
            raise UnscopedQuery(
                f"{self.model.__name__}.objects was used without a workshop; "
                f"write {self.model.__name__}.objects.of(workshop)."
            )
        return super().get_queryset()

    def of(self, workshop: Any) -> models.QuerySet[Any]:
        """Return the rows of one workshop (an instance or its id)."""
        return self.unscoped().filter(workshop=workshop)

    def unscoped(self) -> models.QuerySet[Any]:
        """Return rows of all workshops. For code that has no workshop to name."""
        return models.QuerySet(self.model, using=self._db)

    def create(self, **values: Any) -> Any:
        if "workshop" not in values and "workshop_id" not in values:
            raise UnscopedQuery(f"{self.model.__name__} needs a workshop to be created in.")
        return self.unscoped().create(**values)

    def bulk_create(self, objs: Any, *args: Any, **options: Any) -> Any:  # type: ignore[override]
        return self.unscoped().bulk_create(objs, *args, **options)


class WorkshopOwned(models.Model):
    """Base of every private model. Triggers (integrity.py) refuse references across workshops."""

    workshop = models.ForeignKey("workshop.Workshop", on_delete=models.CASCADE, related_name="+")

    objects = ScopedManager()

    class Meta:
        abstract = True

    @classmethod
    def of(cls, workshop: Any) -> "models.QuerySet[Self]":
        return cls.objects.of(workshop)
