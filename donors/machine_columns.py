"""Columns a donor and a job share: they are the same machine at different times."""

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q, Value
from django.db.models.functions import Coalesce, NullIf

from donors.domain.build_reading import Known
from donors.domain.machines import Machine
from donors.domain.recognising import How
from workshop.domain.intervals import from_ends
from workshop.scoping import WorkshopOwned

BUILD_KNOWN = [(one.value, one.label) for one in Known]
CERTAINTY = "how sure the recognition is, 0 to 1; 1 when exact or confirmed by a person"


class MachineColumns(WorkshopOwned):
    """What the plate said (never overwritten) and what it was recognised as."""

    appliance = models.ForeignKey("donors.Appliance", on_delete=models.PROTECT, related_name="+")
    make = models.ForeignKey(
        "donors.Make", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    make_as_read = models.CharField(max_length=80, blank=True)
    make_is_guess = models.BooleanField(default=False)
    model_number = models.CharField(max_length=80, blank=True, help_text="as read on the plate")
    model_canonical = models.CharField(max_length=80, blank=True, editable=False)
    recognised = models.ForeignKey(
        "donors.ModelNumber", on_delete=models.SET_NULL, null=True, blank=True, related_name="+"
    )
    recognised_how = models.CharField(
        max_length=12, choices=[(how.value, how.value) for how in How], default=How.UNKNOWN
    )
    confirmed = models.BooleanField(default=False, help_text="a person said which model it is")
    likely_number = models.CharField(max_length=80, blank=True, editable=False)
    number_key = models.GeneratedField(
        expression=Coalesce(NullIf(F("likely_number"), Value("")), F("model_canonical")),
        output_field=models.CharField(max_length=80),
        db_persist=True,
        help_text="what machine().number is: the number it is matched by",
    )
    family = models.CharField(max_length=60, blank=True, editable=False)
    fields = models.JSONField(default=dict, editable=False)
    certainty = models.FloatField(default=0.0, editable=False, help_text=CERTAINTY)
    serial_number = models.CharField(max_length=60, blank=True)
    built_from = models.DateField(null=True, blank=True)
    built_to = models.DateField(null=True, blank=True)
    build_known = models.CharField(
        max_length=8, choices=BUILD_KNOWN, blank=True, help_text="how the build date is known"
    )
    # A code and what it may mean: donors/build_reading.py. {} while nobody read one.
    build_reading = models.JSONField(default=dict, blank=True, editable=False)

    class Meta:
        abstract = True
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=Q(built_from__isnull=True)
                | Q(built_to__isnull=True)
                | Q(built_to__gte=F("built_from")),
                name="%(class)s_build_interval_runs_forward",
            ),
            models.CheckConstraint(
                condition=Q(certainty__gte=0, certainty__lte=1),
                name="%(class)s_certainty_is_a_probability",
            ),
            models.CheckConstraint(
                condition=Q(build_known__in=["", *(value for value, _ in BUILD_KNOWN)]),
                name="%(class)s_build_known_is_known",
            ),
        ]
        # Candidates by machine: the same family, the same model (matching/candidates.py).
        indexes: ClassVar[list[Any]] = [
            models.Index(
                fields=["workshop", "family", "make", "appliance", "id"], name="%(class)s_by_family"
            ),
            models.Index(
                fields=["workshop", "make", "number_key", "appliance", "id"],
                name="%(class)s_by_model",
            ),
        ]

    def machine(self) -> Machine:
        """Return the facts used for matching. Needs `make` to be loaded (select_related)."""
        return Machine(
            appliance=self.appliance_id,
            make=self.make.name if self.make else "",
            number=self.likely_number or self.model_canonical,
            fields=self.fields,
            family=self.family,
            built=from_ends(self.built_from, self.built_to),
            sure=self.certainty,
            ref=getattr(self, "ref", ""),
        )
