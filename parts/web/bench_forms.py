"""The bench form of one part as a form of the site, built from what its kind asks."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.forms.boundfield import BoundField

from parts.bench_tests import Answers, Other, form_of, known_of
from parts.domain.bench.verdicts import Outcome
from parts.domain.bench_forms.inputs import Ask, Input
from parts.domain.bench_forms.rows import Stage, Test
from parts.models import BenchTest, Part
from workshop.web.forms import DayField, LongText, PlainForm

OPEN = "_open"
FIGURE = {"inputmode": "decimal", "autocomplete": "off", "size": 9}


@dataclass(frozen=True, slots=True)
class Asked:
    """One input on the page.

    open: the box beside a reading that shows no connection. whence: what filled it in. must: it
    is asked beside a reading, which cannot be judged without it.
    """

    field: BoundField
    is_answer: bool
    open: BoundField | None
    whence: str
    must: bool = False


@dataclass(frozen=True, slots=True)
class AskedTest:
    """One test on the page."""

    test: Test
    needed: bool
    instead: tuple[str, ...]
    asked: list[Asked]
    found: dict[str, Any] | None

    @property
    def faults(self) -> list[str]:
        """What is wrong with its inputs, to be said while typing."""
        return [str(error) for one in self.asked for error in one.field.errors]


class BenchTestForm(PlainForm):
    """What is measured and looked at on the bench, for one part."""

    tested_on = DayField(label="Tested on")
    meter = forms.CharField(
        required=False, max_length=80, label="Meter", help_text="What it was measured with."
    )
    looks_worn = forms.BooleanField(required=False, label="It looks worn (scratched, yellowed)")
    note = LongText(required=False, rows=2)
    other_method = forms.CharField(
        required=False, max_length=150, label="Another test: what, and how"
    )
    other_verdict = forms.ChoiceField(
        required=False,
        choices=[("", "choose"), *BenchTest.Verdict.choices],
        label="What it showed",
    )
    other_said = forms.CharField(
        required=False, max_length=300, label="Its readings", help_text="With units: 5.1 V."
    )

    def __init__(self, data: Any = None, *, part: Part, today: date) -> None:
        self.asks = form_of(part)
        self.known = known_of(part)
        self.found: dict[str, dict[str, Any]] = {}
        filled = {name: one.value for name, one in self.known.items()}
        initial = {"tested_on": today, **filled}
        super().__init__(data, initial=initial, auto_id="test_%s")
        for one in self.asks.inputs.values():
            self.fields[one.name] = _field(one)
            if one.type is Ask.READING:
                label = "no connection (OL)"
                self.fields[one.name + OPEN] = forms.BooleanField(required=False, label=label)

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or {}
        for name in self.asks.inputs:
            if given.get(name) and given.get(name + OPEN):
                self.add_error(name, "Give a figure or tick no connection, not both.")
        return given

    def answers(self) -> Answers:
        given = self.cleaned_data
        readings = {
            name: "open" if given.get(name + OPEN) else given[name] for name in self.asks.inputs
        }
        return Answers(
            tested_on=given["tested_on"],
            readings={name: typed for name, typed in readings.items() if typed},
            other=Other(given["other_method"], given["other_verdict"], given["other_said"]),
            meter=given["meter"],
            looks_worn=given["looks_worn"],
            note=given["note"],
        )

    def show(self, verdicts: Iterable[dict[str, Any]]) -> None:
        """Have what was found stand beside each test that was given."""
        given = (one for one in verdicts if one["outcome"] != Outcome.NOT_MEASURED)
        self.found = {one["slug"]: one for one in given}

    def shared(self) -> list[Asked]:
        """Return what several tests use and is asked once."""
        return [self._asked(one) for one in self.asks.shared]

    def stages(self) -> Iterator[tuple[Stage, list[AskedTest]]]:
        """Yield the stages in order, each with its tests."""
        for stage, tests in self.asks.stages():
            yield stage, [self._asked_test(test) for test in tests]

    def _asked_test(self, test: Test) -> AskedTest:
        asked = [self._asked(one) for one in self.asks.inputs_of(test)]
        needed, instead = self.asks.is_needed(test), self.asks.alternatives(test)
        return AskedTest(test, needed, instead, asked, self.found.get(test.slug))

    def _asked(self, one: Input) -> Asked:
        beside = self[one.name + OPEN] if one.type is Ask.READING else None
        is_answer = one.type is Ask.ANSWER
        known = self.known.get(one.name)
        return Asked(self[one.name], is_answer, beside, known.whence if known else "", one.required)


def _field(one: Input) -> forms.Field:
    if one.type is Ask.ANSWER:
        return forms.ChoiceField(
            required=False, label=one.label, choices=one.values, widget=forms.RadioSelect
        )
    if one.values:
        return forms.ChoiceField(required=False, label=one.label, choices=one.values)
    return forms.CharField(
        required=False,
        max_length=40,
        label=f"{one.label}, {one.unit}",
        help_text=one.help,
        widget=forms.TextInput(attrs=FIGURE),
    )
