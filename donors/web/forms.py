"""Forms on plates, makes and model numbers."""

from collections import defaultdict
from typing import Any

from django import forms

from donors import selectors
from donors.models import Donor, Make
from donors.plates import Plate
from workshop.models import Workshop
from workshop.web.forms import (
    DayField,
    FilterForm,
    LongText,
    PlainForm,
    WordsField,
    choices_with_any,
)

CODE = {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}


def appliance_choices() -> list[tuple[str, str]]:
    return [(one.slug, one.name) for one in selectors.list_appliances()]


def cause_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the failure causes under their appliances; a value is appliance/cause."""
    groups: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for cause in selectors.list_causes():
        groups[cause.appliance.name].append((f"{cause.appliance_id}/{cause.slug}", cause.name))
    return list(groups.items())


class PlateForm(PlainForm):
    """What stands on a rating plate, as a person reads it."""

    appliance = forms.ChoiceField(
        required=False,
        help_text="May stay blank when the model number is a known one.",
    )
    make = forms.CharField(
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"list": "known-makes", "autocomplete": "off"}),
        help_text="Blank: it is guessed from the number, and marked as a guess.",
    )
    model_number = forms.CharField(
        required=False,
        max_length=80,
        label="Model number as read",
        widget=forms.TextInput(attrs=CODE),
        help_text="Type what can be read, even a part of it. It is kept as you type it.",
    )
    serial_number = forms.CharField(
        required=False, max_length=60, widget=forms.TextInput(attrs=CODE)
    )
    built_from = DayField(required=False, label="Built from", help_text="Earliest day.")
    built_to = DayField(required=False, label="Built to", help_text="Latest day.")

    def __init__(self, *args: Any, workshop: Workshop, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.workshop = workshop
        self.fields["appliance"].choices = [("", "not chosen"), *appliance_choices()]  # type: ignore[attr-defined]

    def known_makes(self) -> list[str]:
        """Return the names offered while typing a make."""
        return [make.name for make in selectors.list_makes(self.workshop)]

    def plate(self) -> Plate:
        given = self.cleaned_data
        return Plate(
            appliance=given["appliance"],
            make=given["make"],
            model_number=given["model_number"],
            serial_number=given["serial_number"],
            built_from=given["built_from"],
            built_to=given["built_to"],
        )


class IntakeForm(PlateForm):
    """A machine that comes in."""

    no_plate = forms.BooleanField(
        required=False,
        label="There is no rating plate left",
        help_text="Only then may the model number stay blank.",
    )
    received_on = DayField(label="Received on")
    cause = forms.ChoiceField(
        required=False,
        label="Why it was scrapped",
        help_text="Decides which of its parts are likely good.",
    )
    note = LongText(required=False, help_text="In the customer's words, and what you found.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["cause"].choices = [("", "not known"), *cause_choices()]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        appliance, _, _slug = given.get("cause", "").partition("/")
        if appliance and given.get("appliance") and appliance != given["appliance"]:
            self.add_error("cause", "This cause belongs to another appliance than the one chosen.")
        return given

    def cause_slug(self) -> str:
        """Return the chosen cause's own name, without its appliance."""
        return str(self.cleaned_data["cause"]).partition("/")[2]


class DonorFilter(FilterForm):
    text = forms.CharField(
        required=False, max_length=80, label="Reference, make, model or serial number"
    )
    appliance = forms.ChoiceField(required=False)
    state = forms.ChoiceField(required=False, choices=choices_with_any(Donor.State.choices))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["appliance"].choices = choices_with_any(appliance_choices())  # type: ignore[attr-defined]


class PatternForm(PlainForm):
    pattern = forms.CharField(
        required=False,
        max_length=200,
        label="Pattern of its model numbers",
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        help_text=(
            "A regular expression over the number without separators, with named groups for "
            "the parts of it that mean something (family, size, series, revision, colour, "
            "market). May stay blank."
        ),
    )


class MakeForm(PatternForm):
    name = forms.CharField(max_length=80)
    aliases = WordsField(required=False, label="Other spellings", help_text="Separated by | signs.")


class ModelNumberForm(PlainForm):
    fields_of_service = {"model_number": "number"}  # noqa: RUF012

    make: Any = forms.ModelChoiceField(queryset=None)
    number = forms.CharField(
        max_length=80,
        label="Model number",
        widget=forms.TextInput(attrs=CODE),
        help_text="As printed. * or # stands for one position that may hold anything.",
    )
    aliases = WordsField(
        required=False, label="Other names it is sold under", help_text="Separated by | signs."
    )
    appliance = forms.ChoiceField(required=False)
    family = forms.CharField(
        required=False, max_length=60, help_text="Models that share a chassis."
    )

    def __init__(self, *args: Any, workshop: Workshop, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["make"].queryset = selectors.list_makes(workshop)  # type: ignore[attr-defined]
        self.fields["appliance"].choices = [("", "not known"), *appliance_choices()]  # type: ignore[attr-defined]


class ModelFilter(FilterForm):
    text = forms.CharField(required=False, max_length=80, label="Part of the number or a name")
    make: Any = forms.ModelChoiceField(queryset=None, required=False, empty_label="any")

    def __init__(self, *args: Any, workshop: Workshop, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["make"].queryset = Make.of(workshop).order_by("name")  # type: ignore[attr-defined]
