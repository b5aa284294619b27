"""Forms of the strip page: minutes there are, and how a step went."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django import forms

from matching.strip_planning import StepLine
from parts.models import StepRecord
from parts.stripping import Came, PartReport, StepReport
from workshop.models import Certificate, Member
from workshop.web.forms import LongText, PlainForm

MOST_MINUTES = 10_000


class WithinForm(PlainForm):
    """The minutes there are; blank for no limit."""

    within_min = forms.FloatField(
        required=False, min_value=0, max_value=MOST_MINUTES, label="Minutes there are"
    )


class MinutesField(forms.FloatField):
    """Minutes a step took, as a person says."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", "Minutes it really took")
        kwargs.setdefault(
            "widget", forms.NumberInput(attrs={"step": "any", "inputmode": "decimal"})
        )
        super().__init__(**kwargs)


class CorrectForm(PlainForm):
    """The minutes of a step on record, when the timer was forgotten; blank trusts the timer."""

    minutes = MinutesField(required=False)


class LeaveOutForm(PlainForm):
    """How this machine differs from the step list."""

    came = forms.ChoiceField(
        choices=[
            (StepRecord.Came.NOT_HERE, "There is no such way on this machine"),
            (StepRecord.Came.NOT_NEEDED, "It is not needed: what lies behind is open without it"),
        ],
        label="How this machine differs",
    )
    found = LongText(required=False, rows=2, max_length=500, label="What was found instead")


@dataclass(frozen=True, slots=True)
class PartFields:
    """The fields of one part of a step, and the part."""

    part: Any
    came: Any
    bin: Any
    number: Any
    reason: Any


class FinishForm(PlainForm):
    """How a step went: minutes, who helped, whose certificate, and what became of each part."""

    def __init__(
        self,
        data: Any = None,
        *,
        line: StepLine,
        members: Sequence[Member],
        certificates: Sequence[Certificate],
        member: Member,
    ) -> None:
        slug = line.step.slug
        super().__init__(data, auto_id=f"{slug}_%s", use_required_attribute=False)
        self.line = line
        if line.step.two_persons:
            others = [(one.pk, str(one)) for one in members if one.pk != member.pk]
            self.fields["second_person"] = _choice("Second person", others)
        if line.step.licence:
            held = [
                (one.pk, f"{one.member}: {one}, valid until {one.valid_until}")
                for one in certificates
                if one.kind == line.step.licence
            ]
            self.fields["certificate"] = _choice("Certificate it is done under", held)
        for one in line.parts:
            self._add_part(one.value.part)
        self.fields["minutes"] = MinutesField(
            required=False, help_text="Only when the timer was forgotten: it goes before the timer."
        )
        self.fields["found"] = LongText(
            required=False,
            rows=2,
            max_length=500,
            label="What differs from what was expected",
            help_text="Is noted on the donor.",
        )

    def _add_part(self, part: Any) -> None:
        self.fields[f"came_{part.pk}"] = forms.ChoiceField(
            choices=Came.choices, label="What became of it", initial=Came.OUT
        )
        self.fields[f"bin_{part.pk}"] = forms.CharField(
            required=False, max_length=40, label="Bin", help_text="Blank when not put away yet."
        )
        self.fields[f"number_{part.pk}"] = forms.CharField(
            required=False,
            max_length=80,
            label="Part number",
            widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
        )
        self.fields[f"reason_{part.pk}"] = forms.CharField(
            required=False, max_length=200, label="Why, when it broke or was not found"
        )

    def part_fields(self) -> list[PartFields]:
        """Return the fields of each part the step takes out."""
        names = ("came", "bin", "number", "reason")
        return [
            PartFields(one, *(self[f"{name}_{one.value.part.pk}"] for name in names))
            for one in self.line.parts
        ]

    def report(self) -> StepReport:
        given = self.cleaned_data
        parts = [
            PartReport(
                ref=one.value.part.ref,
                came=Came(given[f"came_{one.value.part.pk}"]),
                bin=given[f"bin_{one.value.part.pk}"],
                part_number=given[f"number_{one.value.part.pk}"],
                reason=given[f"reason_{one.value.part.pk}"],
            )
            for one in self.line.parts
        ]
        return StepReport(
            minutes=given["minutes"],
            second_person=given.get("second_person"),
            certificate=given.get("certificate"),
            parts=parts,
            found=given["found"],
        )


def _choice(label: str, choices: list[tuple[int, str]]) -> forms.TypedChoiceField:
    """Return a choice of rows by number; None while nobody is named."""
    nobody = "name somebody" if choices else "nobody is on record"
    return forms.TypedChoiceField(
        required=False,
        coerce=int,
        empty_value=None,
        label=label,
        choices=[("", nobody), *choices],
    )
