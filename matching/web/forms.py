"""Forms on jobs, holds, fittings and the search for a part."""

from typing import Any

from django import forms

from donors.domain.model_numbers import canonical
from donors.web.forms import CODE, PlateForm, appliance_choices
from matching import job_search
from matching.finding import Query
from matching.fittings import Report
from matching.models import Outcome, Rule
from matching.services import LONGEST_OWN_NUMBER, NeedFacts
from parts.web.forms import reusable_kind_choices
from workshop.domain.intervals import from_ends
from workshop.members import RANK
from workshop.models import Member, Role, Workshop
from workshop.web.forms import (
    AttributesField,
    DayField,
    FilterForm,
    LongText,
    MoneyField,
    PastDayField,
    PlainForm,
    choices_with_any,
)

NEED_ROWS = 3


def technicians(workshop: Workshop) -> Any:
    """Return the members who may take a job."""
    able = [role for role in Role.values if RANK[role] >= RANK[Role.TECHNICIAN]]
    rows = Member.of(workshop).filter(active=True, role__in=able).select_related("user")
    return rows.order_by("user__username", "id")


class NeedForm(PlainForm):
    """One part a job lacks; a row without a kind is left out."""

    kind = forms.ChoiceField(required=False, label="Part kind")
    position = forms.CharField(required=False, max_length=40)
    part_number = forms.CharField(
        required=False,
        max_length=80,
        label="Part number on the old part",
        widget=forms.TextInput(attrs=CODE),
    )
    attributes = AttributesField(required=False)
    max_price = MoneyField(required=False, label="Most it may cost")

    def __init__(self, *args: Any, kinds: Any, **kwargs: Any) -> None:
        super().__init__(*args, use_required_attribute=False, **kwargs)
        self.fields["kind"].choices = [("", "none"), *kinds]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        others = [name for name in self.fields if name != "kind" and given.get(name)]
        if others and not given.get("kind") and "kind" not in self.errors:
            self.add_error("kind", "Choose the part kind of this row, or empty the row.")
        return given

    def facts(self) -> NeedFacts | None:
        given = self.cleaned_data
        if not given["kind"]:
            return None
        return NeedFacts(
            kind=given["kind"],
            position=given["position"],
            part_number=given["part_number"],
            attributes=given["attributes"],
            max_price_cents=given["max_price"],
        )


class JobForm(PlateForm):
    """A broken machine, with rows for the parts it lacks, or what it does or shows."""

    opened_on = PastDayField(label="Opened on")
    wait_until = DayField(
        required=False, label="Wait until", help_text="Blank: the workshop's usual wait."
    )
    symptom = LongText(required=False, rows=2, help_text="What the machine does, or does not do.")
    shown_code = forms.CharField(
        required=False,
        max_length=20,
        label="Code it shows",
        help_text="As it stands on the display.",
        widget=forms.TextInput(attrs=CODE),
    )
    technician: Any = forms.ModelChoiceField(
        queryset=None,
        required=False,
        empty_label="nobody yet",
        help_text="Is told when a part comes in. Nobody yet: every technician is told.",
    )

    own_number = forms.CharField(
        required=False,
        max_length=LONGEST_OWN_NUMBER,
        label="Your own number",
        help_text="What you call the job yourself, such as the customer's ticket.",
        widget=forms.TextInput(attrs=CODE),
    )

    def __init__(self, data: Any = None, *, workshop: Workshop, initial: Any = None) -> None:
        super().__init__(data, workshop=workshop, initial=initial)
        self.fields["technician"].queryset = technicians(workshop)  # type: ignore[attr-defined]
        kinds = reusable_kind_choices()
        self.needs = [
            NeedForm(data, kinds=kinds, prefix=f"need{row}", initial=None if row else initial)
            for row in range(NEED_ROWS)
        ]
        self.needs_refused = ""

    def accepts(self) -> bool:
        rows_right = [need.is_valid() for need in self.needs]
        if all(rows_right):
            return super().accepts()
        super().accepts()
        self.status = 400
        if not self.non_field_errors():
            self.add_error(None, "Nothing was stored. Look at the parts it lacks.")
        return False

    def show_again(self, refused: Any = None) -> None:
        super().show_again(refused)
        for need in self.needs:
            need.show_again()

    def refuse(self, error: Any) -> None:
        super().refuse(error)
        self.needs_refused = error.fields.get("needs") or error.fields.get("kind") or ""

    def need_facts(self) -> list[NeedFacts]:
        return [facts for need in self.needs if (facts := need.facts())]


class JobFilter(FilterForm):
    text = forms.CharField(
        required=False,
        max_length=80,
        label="Reference, number, make or symptom",
        widget=forms.TextInput(attrs={"type": "search", "autocomplete": "off"}),
    )
    state = forms.ChoiceField(required=False, choices=choices_with_any(job_search.STATES))
    whose = forms.ChoiceField(required=False, choices=choices_with_any(job_search.WHOSE))
    appliance = forms.ChoiceField(required=False)
    wait = forms.ChoiceField(required=False, choices=choices_with_any([("over", "over: decide")]))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["appliance"].choices = choices_with_any(appliance_choices())  # type: ignore[attr-defined]


class RuleFilter(FilterForm):
    state = forms.ChoiceField(required=False, choices=choices_with_any(Rule.State.choices))
    kind = forms.ChoiceField(required=False, label="Part kind")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = choices_with_any(reusable_kind_choices())  # type: ignore[attr-defined]


class RuleNoteForm(PlainForm):
    """What is said of a rule: a comment by itself, or the reason for a decision."""

    note = LongText(
        required=False,
        rows=2,
        max_length=2000,
        help_text="Stays on the rule's record. A decision may do without.",
    )


class FittedForm(PlainForm):
    """What happened when a held part was fitted."""

    result = forms.ChoiceField(
        choices=[("", "choose"), *Outcome.Result.choices], label="What happened"
    )
    fitted_on = PastDayField(label="Fitted on")
    days_to_failure = forms.IntegerField(
        required=False,
        min_value=0,
        max_value=36500,
        label="Days until it failed",
        help_text="Only for a part that failed later.",
    )
    why = forms.ChoiceField(
        required=False,
        choices=[("", "it did fit"), *Outcome.Why.choices],
        label="Why it did not fit",
        help_text="Only for a part that did not fit.",
    )
    note = LongText(required=False, rows=2)

    def report(self) -> Report:
        given = self.cleaned_data
        return Report(
            result=Outcome.Result(given["result"]),
            fitted_on=given["fitted_on"],
            days_to_failure=given["days_to_failure"],
            note=given["note"],
            why=given["why"],
        )


class FindForm(PlainForm):
    """What is looked for."""

    text = forms.CharField(
        required=False,
        max_length=200,
        label="Model number, with other words if you like",
        widget=forms.TextInput(attrs={"type": "search", "autocomplete": "off"}),
    )
    make = forms.CharField(
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"list": "known-makes", "autocomplete": "off"}),
    )
    kind = forms.ChoiceField(required=False, label="Part kind")
    part_number = forms.CharField(
        required=False,
        max_length=80,
        label="Part number on the old part",
        widget=forms.TextInput(attrs=CODE),
    )
    built_from = DayField(required=False, label="Built from")
    built_to = DayField(required=False, label="Built to")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [  # type: ignore[attr-defined]
            ("", "as the words say, else all"),
            *reusable_kind_choices(),
        ]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        start, end = given.get("built_from"), given.get("built_to")
        if start and end and end < start:
            self.add_error("built_to", f"{end} lies before {start}. Swap the two.")
        return given

    def query(self) -> Query:
        given = self.cleaned_data
        return Query(
            text=given["text"],
            make=given["make"],
            kind=given["kind"],
            part_number=given["part_number"],
            built=from_ends(given["built_from"], given["built_to"]),
        )

    def as_job(self, read_as: str, kinds: tuple[str, ...]) -> dict[str, str]:
        """Return what is known, under the names of the job form's fields."""
        given = self.cleaned_data
        number = given["text"] if canonical(given["text"]) == read_as else read_as
        known = {
            "make": given["make"],
            "model_number": number[:80],
            "kind": kinds[0] if len(kinds) == 1 else given["kind"],
            "part_number": given["part_number"],
            "built_from": given["built_from"],
            "built_to": given["built_to"],
        }
        return {name: str(value) for name, value in known.items() if value}
