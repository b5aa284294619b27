"""Forms by which a job, its needs and a donor are corrected, and closed things opened again."""

from typing import Any

from django import forms

from donors.corrections import PLATE
from donors.models import Donor
from donors.web.forms import CODE, BuildCodeForm, PlateForm
from matching.models import Job, Need
from matching.services import LONGEST_OWN_NUMBER
from matching.web.forms import NeedForm, technicians
from workshop.models import Member, Workshop
from workshop.web.forms import DayField, LongText, PastDayField, PlainForm

WHY = "Stays on the record. May stay blank."
MISMATCH = "confirm_mismatch"


def why_field() -> forms.CharField:
    return forms.CharField(required=False, max_length=200, label="Why", help_text=WHY)


class CorrectPlateForm(PlateForm):
    """A plate on record, filled in. Codes of build dates have a page of their own."""

    why = why_field()

    def __init__(self, data: Any, *, machine: Any, workshop: Workshop) -> None:
        known = {name: getattr(machine, column) for name, (column, _) in PLATE.items()}
        super().__init__(data, workshop=workshop, initial={**known, **self.known(machine)})
        for name in BuildCodeForm.base_fields:
            self.fields.pop(name, None)
        self.fields["model_number"].help_text = "As read on the plate; it is recognised anew."
        self.order_fields([name for name in self.fields if name not in ("why", MISMATCH)])

    def known(self, machine: Any) -> dict[str, Any]:
        """Return what is on record beside the plate, by field."""
        return {}

    def plain_fields(self) -> list[Any]:
        """Return the fields in the order they are shown in."""
        return [self[name] for name in self.fields if name != MISMATCH]

    def changes(self) -> dict[str, Any]:
        """Return what differs from the record, under the names of the service."""
        given = self.cleaned_data
        return {name: given[name] for name in self.changed_data if name not in ("why", MISMATCH)}


class CorrectJobForm(CorrectPlateForm):
    """All that can be corrected of a job."""

    symptom = LongText(required=False, rows=2, help_text="What the machine does, or does not do.")
    own_number = forms.CharField(
        required=False,
        max_length=LONGEST_OWN_NUMBER,
        label="Your own number",
        widget=forms.TextInput(attrs=CODE),
    )
    opened_on = PastDayField(label="Opened on")
    wait_until = DayField(required=False, label="Wait until")
    technician: Any = forms.ModelChoiceField(
        queryset=None, required=False, empty_label="nobody yet"
    )

    def __init__(self, data: Any, *, job: Job, workshop: Workshop, kept: bool) -> None:
        super().__init__(data, machine=job, workshop=workshop)
        whose = technicians(workshop)
        if job.technician_id:  # stays to be chosen, active or not: to leave it must not change it
            whose = whose | Member.of(workshop).filter(pk=job.technician_id)
        self.fields["technician"].queryset = whose  # type: ignore[attr-defined]
        if kept:  # its plate is corrected where the machine is now
            for name in PLATE:
                del self.fields[name]
        if job.state != Job.State.OPEN:
            del self.fields["wait_until"]

    def known(self, machine: Any) -> dict[str, Any]:
        names = ("symptom", "own_number", "opened_on", "wait_until", "technician")
        return {name: getattr(machine, name) for name in names}


class CorrectDonorForm(CorrectPlateForm):
    """All that can be corrected of a donor. Its appliance stays: its parts were laid by it."""

    cause = forms.ChoiceField(required=False, label="Why it was scrapped")
    note = LongText(required=False)

    def __init__(self, data: Any, *, donor: Donor, workshop: Workshop) -> None:
        super().__init__(data, machine=donor, workshop=workshop)
        del self.fields["appliance"]
        causes = [(cause.slug, cause.name) for cause in donor.appliance.causes.order_by("id")]
        self.fields["cause"].choices = [("", "not known"), *causes]  # type: ignore[attr-defined]

    def known(self, machine: Any) -> dict[str, Any]:
        return {"cause": machine.cause.slug if machine.cause else "", "note": machine.note}


class OneNeedForm(NeedForm):
    """One part a job lacks, to be added or corrected."""

    confirm_mismatch = forms.BooleanField(
        required=False, label="It is meant so: store it nevertheless"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].required = True

    def plain_fields(self) -> list[Any]:
        return [self[name] for name in self.fields if name != MISMATCH]


def known_of(need: Need) -> dict[str, Any]:
    """Return what is on record of a need, by field."""
    return {
        "kind": need.kind_id,
        "position": need.position,
        "part_number": need.part_number,
        "attributes": need.attributes,
        "max_price": need.max_price_cents,
    }


class WhyForm(PlainForm):
    """Why something is opened again, withdrawn or taken back."""

    why = why_field()
