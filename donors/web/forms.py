"""Forms on plates, makes and model numbers."""

from collections import defaultdict
from typing import Any

from django import forms

from donors import selectors
from donors.build_readings import SCHEMES, CodeAsked, eras_of, stated_interval
from donors.domain.build_reading import Clues, Known, from_json
from donors.models import Donor, Make
from donors.plates import Plate
from workshop.models import Workshop
from workshop.web.forms import (
    DayField,
    FilterForm,
    LongText,
    PastDayField,
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


class BuildCodeForm(PlainForm):
    """A build-date code, and what else is known of when a machine was built."""

    build_code = forms.CharField(
        required=False,
        max_length=20,
        label="Build code",
        widget=forms.TextInput(attrs=CODE),
        help_text="A code for year and week or month, such as 1823, as it stands on the plate.",
    )
    build_scheme = forms.ChoiceField(
        required=False,
        label="How the code is written",
        choices=[("", "as this make writes it"), *SCHEMES],
    )
    in_serial = forms.BooleanField(
        required=False,
        label="Take the code from the serial number",
        help_text="Where it is on record in which places this make has it.",
    )
    receipt_on = DayField(required=False, label="Day on the buyer's receipt")
    part_made_on = DayField(
        required=False,
        label="A part of it was made on",
        help_text="A moulding clock or a component's date: built not before.",
    )
    sold_from = forms.IntegerField(required=False, label="Model sold from year")
    sold_to = forms.IntegerField(required=False, label="Model sold to year")
    eras = forms.MultipleChoiceField(
        required=False, label="Seen on it", widget=forms.CheckboxSelectMultiple
    )
    replace: Any = forms.BooleanField(
        required=False,
        label="The build date on record is wrong: replace it",
        help_text="Otherwise a date that is not from a code stays, and cuts the candidates.",
    )

    def __init__(self, *args: Any, appliance: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["eras"].choices = era_choices(appliance)  # type: ignore[attr-defined]

    def asked(self) -> CodeAsked:
        given = self.cleaned_data
        return CodeAsked(
            code=given["build_code"],
            scheme=given["build_scheme"],
            in_serial=given["in_serial"],
            clues=Clues(
                receipt_on=given["receipt_on"],
                part_made_on=given["part_made_on"],
                sold_from=given["sold_from"],
                sold_to=given["sold_to"],
                eras=tuple(given["eras"]),
            ),
        )


def era_choices(appliance: str) -> list[tuple[str, str]]:
    """Return what can be seen on an appliance (blank: on any) that brackets its years."""
    names = dict(appliance_choices())
    return [
        (slug, row["words"] if appliance else f"{row['words']} ({_named(row, names)})")
        for slug, row in eras_of(appliance).items()
    ]


def _named(row: Any, names: dict[str, str]) -> str:
    return ", ".join(names.get(slug, slug).lower() for slug in row["appliances"])


def build_code_form(machine: Any, data: Any = None) -> BuildCodeForm:
    """Return the form filled with what is on record of a machine's code."""
    reading = from_json(machine.build_reading)
    known: dict[str, Any] = {}
    if reading is not None:
        clues = reading.clues
        known = {
            "build_code": reading.code,
            "build_scheme": reading.scheme.name,
            "receipt_on": clues.receipt_on,
            "part_made_on": clues.part_made_on,
            "sold_from": clues.sold_from,
            "sold_to": clues.sold_to,
            "eras": list(clues.eras),
        }
    form = BuildCodeForm(data, initial=known, appliance=machine.appliance_id)
    if stated_interval(machine) is None:
        del form.fields["replace"]
    return form


class PlateForm(BuildCodeForm):
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
    build_known = forms.ChoiceField(
        required=False,
        label="How this date is known",
        choices=[("", "not said"), *((one.value, one.label) for one in Known)],
    )
    replace: Any = None  # there is no date on record yet
    # What a photo of the plate was read as, and which of its candidates a person said it is.
    read_text = forms.CharField(required=False, max_length=8000, widget=forms.HiddenInput)
    model_id = forms.IntegerField(required=False, min_value=1, widget=forms.HiddenInput)
    # Shown once something was refused that may be meant so.
    confirm_mismatch = forms.BooleanField(
        required=False, label="It is meant so: store it nevertheless"
    )

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
            build_known=given["build_known"],
            build_code=self.asked(),
            model_id=given["model_id"],
        )


class IntakeForm(PlateForm):
    """A machine that comes in."""

    no_plate = forms.BooleanField(
        required=False,
        label="There is no rating plate left",
        help_text="Only then may the model number stay blank.",
    )
    received_on = PastDayField(label="Received on")
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


class DateCodeForm(PlainForm):
    """How a make writes its build dates."""

    date_code = forms.ChoiceField(
        required=False,
        label="How the code is written",
        choices=[("", "not known"), *SCHEMES],
    )
    date_code_start = forms.IntegerField(
        required=False,
        min_value=1,
        max_value=60,
        label="Place in the serial number where it begins",
        help_text="From 1; letters and digits count, separators do not. Blank: not there.",
    )


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
