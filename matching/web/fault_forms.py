"""Forms on faults: codes and symptoms of the table, and what a fault was."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from donors.selectors import list_appliances
from donors.web.forms import CODE
from matching.domain.diagnosis.fault_codes import read_suspects, suspects_text
from matching.domain.diagnosis.tables import MOST_MINUTES, SOMETHING_ELSE
from matching.fault_models import Standing
from matching.faults import own_checks, tables
from matching.faults.editing import CodeFacts, SymptomFacts
from matching.faults.own_checks import CheckFacts, cautions_of, facts_of
from matching.faults.tables import SymptomRow
from matching.models import FaultCode, WorkshopCheck
from workshop.domain.refusals import ValueRefused
from workshop.models import Workshop
from workshop.web.forms import FilterForm, LongText, PlainForm, WordsField, choices_with_any


class SuspectsField(LongText):
    """kind=weight|kind=weight, as weights."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", "Suspects and their weights")
        kwargs.setdefault(
            "help_text",
            "Written as drain-pump=45 | blockage=40. Only the shares count.",
        )
        super().__init__(rows=2, **kwargs)

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        try:
            return read_suspects(text)
        except ValueRefused as refused:
            raise ValidationError(f"{refused.fields['suspects']}.") from refused

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, dict):
            return suspects_text(value).replace("|", " | ")
        return value


def appliance_choices() -> list[tuple[str, str]]:
    return [(one.slug, one.name) for one in list_appliances()]


def check_choices(
    workshop: Workshop, appliance: str, *, kept: Sequence[str] = ()
) -> list[tuple[str, str]]:
    """Return the checks done here on a kind of machine, by what they do.

    kept: names to offer though they are hidden or nobody knows them.
    """
    rows = tables.check_rows(workshop, appliance) if appliance else []
    found = {
        row.check.slug: row.check.do for row in rows if not row.hidden or row.check.slug in kept
    }
    return [
        *found.items(),
        *((slug, f"{slug} (no longer known)") for slug in kept if slug not in found),
    ]


class CodeFilter(FilterForm):
    make = forms.CharField(required=False, max_length=80)
    appliance = forms.ChoiceField(required=False, label="Kind of machine")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["appliance"].choices = choices_with_any(appliance_choices())  # type: ignore[attr-defined]


class CodeForm(PlainForm):
    """A fault code of the workshop's own table."""

    make = forms.CharField(
        max_length=80, widget=forms.TextInput(attrs={"list": "known-makes", "autocomplete": "off"})
    )
    range = forms.CharField(
        required=False, max_length=60, help_text="The family. Blank: every range of the make."
    )
    appliance = forms.ChoiceField(label="Kind of machine")
    code = forms.CharField(
        max_length=20, help_text="As it stands on the display.", widget=forms.TextInput(attrs=CODE)
    )
    meaning = forms.CharField(required=False, max_length=200)
    suspects = SuspectsField()
    checks = forms.MultipleChoiceField(
        required=False,
        label="Checks to do first",
        help_text="Of this kind of machine. Marked on the job.",
        widget=forms.CheckboxSelectMultiple,
    )
    standing = forms.ChoiceField(choices=Standing.choices, label="What it rests on")
    source = forms.CharField(required=False, max_length=200)
    hidden = forms.BooleanField(required=False, label="Hidden: kept, but counts for nothing")

    def __init__(
        self,
        *args: Any,
        workshop: Workshop,
        appliance: str = "",
        kept: Sequence[str] = (),
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["appliance"].choices = [("", "choose"), *appliance_choices()]  # type: ignore[attr-defined]
        machine = str(self.data.get("appliance", "")) or appliance
        checks = check_choices(workshop, machine, kept=kept if machine == appliance else ())
        if checks:
            self.fields["checks"].choices = checks  # type: ignore[attr-defined]
        else:
            del self.fields["checks"]  # offered once the kind of machine is chosen

    @property
    def machines(self) -> list[tuple[str, str]]:
        """Return the kinds of machine to choose from where that decides what else is offered."""
        return [] if "checks" in self.fields else appliance_choices()

    @classmethod
    def of(cls, row: FaultCode) -> "CodeForm":
        names = ("range", "code", "meaning", "suspects", "standing", "source", "hidden")
        initial = {name: getattr(row, name) for name in names}
        return cls(
            workshop=row.workshop,
            appliance=row.appliance_id,
            kept=row.checks,
            initial={
                **initial,
                "make": row.make.name,
                "appliance": row.appliance_id,
                "checks": row.checks,
            },
        )

    def facts(self) -> CodeFacts:
        return CodeFacts(**{"checks": [], **self.cleaned_data})


class SymptomForm(PlainForm):
    """A symptom: a workshop's own, or its change to a delivered one."""

    name = forms.CharField(max_length=80, label="What the machine does")
    words = WordsField(
        required=False,
        label="Words that name it",
        help_text="With | between, as customers say it: water stays in | will not pump out.",
    )
    suspects = SuspectsField()
    source = forms.CharField(required=False, max_length=200)
    hidden = forms.BooleanField(required=False, label="Hidden: counts for nothing")

    @classmethod
    def of(cls, row: SymptomRow) -> "SymptomForm":
        return cls(
            initial={
                "name": row.symptom.name,
                "words": " | ".join(row.symptom.words),
                "suspects": dict(row.symptom.suspects),
                "source": row.change.source if row.change else "",
                "hidden": row.hidden,
            }
        )

    def facts(self) -> SymptomFacts:
        return SymptomFacts(**self.cleaned_data)


class NewSymptomForm(SymptomForm):
    appliance = forms.ChoiceField(label="Kind of machine")
    hidden = None  # type: ignore[assignment]
    field_order = ("appliance",)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["appliance"].choices = [("", "choose"), *appliance_choices()]  # type: ignore[attr-defined]

    def facts(self) -> SymptomFacts:
        given = {**self.cleaned_data}
        given.pop("appliance")
        return SymptomFacts(**given)


class OwnCheckForm(PlainForm):
    """A check of the workshop's own, to be made before a part is blamed."""

    do = forms.CharField(
        max_length=300, label="What to do", help_text="One sentence, as a colleague would do it."
    )
    minutes = forms.FloatField(
        max_value=MOST_MINUTES, help_text="With opening and closing the machine for it."
    )
    instrument = forms.CharField(
        required=False, max_length=80, help_text="What it is done with, such as a multimeter."
    )
    finds = forms.CharField(
        max_length=80, label="The answer that finds something", initial=own_checks.FINDS
    )
    clear = forms.CharField(
        max_length=80, label="The answer that finds nothing", initial=own_checks.CLEAR
    )
    suspects = SuspectsField(
        label="What it points to",
        help_text="The chance that it finds something when that part or cause is at fault, from "
        "0.01 to 0.99: belt=0.9 | drive-motor=0.3.",
    )
    otherwise = forms.FloatField(
        label="Found with anything else at fault",
        initial=own_checks.OTHERWISE,
        help_text="The same chance when something not named above is at fault.",
    )
    opens = forms.BooleanField(
        required=False,
        initial=True,
        label="The machine is opened for it: its cautions stand beside the check",
    )
    cautions = forms.MultipleChoiceField(
        required=False,
        label="Further cautions beside it",
        help_text="What holds for an opened machine and for the parts it points to shows anyway.",
    )
    source = forms.CharField(required=False, max_length=200)

    def __init__(self, *args: Any, appliance: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [(slug, text[:110]) for slug, text in cautions_of(appliance).items()]
        self.fields["cautions"].choices = choices  # type: ignore[attr-defined]

    def facts(self) -> CheckFacts:
        return CheckFacts(**self.cleaned_data)


class ChangedCheckForm(OwnCheckForm):
    hidden = forms.BooleanField(required=False, label="Retired: kept, but asked for no more")

    @classmethod
    def of(cls, row: WorkshopCheck) -> "ChangedCheckForm":
        return cls(initial=asdict(facts_of(row)), appliance=row.appliance_id)


class CheckForm(PlainForm):
    """How a check is done here; blank minutes go back to the guide's."""

    check = forms.CharField(max_length=80)
    minutes = forms.FloatField(required=False, max_value=MOST_MINUTES)
    hidden = forms.BooleanField(required=False)


class FoundForm(PlainForm):
    """What the fault turned out to be."""

    suspect = forms.ChoiceField(label="What was at fault")
    note = forms.CharField(required=False, max_length=300)

    def __init__(self, *args: Any, appliance: str, likely: Any = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        every = tables.suspects_of(appliance)
        first = [(slug, every[slug]) for slug in likely if slug in every]
        groups = [
            ("Suspected", first),
            (
                "No part at fault",
                [*tables.causes_of(appliance).items(), (SOMETHING_ELSE, "something else")],
            ),
            ("A part, fitted new or put right", [*tables.parts_of(appliance).items()]),
        ]
        self.fields["suspect"].choices = [("", "choose"), *((n, g) for n, g in groups if g)]  # type: ignore[attr-defined]
