"""Forms of the electrical-safety check: which machine it is, and one step."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from parts.domain.bench.verdicts import OPEN
from parts.domain.bench_forms.inputs import figure
from parts.domain.electrical_safety.rules import LimitSet, ProtectionClass, Step
from workshop.domain.refusals import Checks
from workshop.models import Member
from workshop.web.forms import PlainForm

KNOWN = [("", "not known: the stricter rule holds"), ("yes", "yes"), ("no", "no")]
CLASS_WORDS = {
    ProtectionClass.EARTHED: "I: earthed",
    ProtectionClass.DOUBLE: "II: double insulated (square in a square)",
    ProtectionClass.LOW_VOLTAGE: "III: safety extra-low voltage",
}
FIGURE = {"inputmode": "decimal", "autocomplete": "off", "size": 9}


class FigureField(forms.CharField):
    """A figure typed as on a bench form; None when blank."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=40, widget=forms.TextInput(attrs=FIGURE), **kwargs)

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return None
        bad = Checks()
        found = figure("figure", text, bad)
        if bad.fields:
            raise ValidationError(bad.fields["figure"])
        return found


class KnownField(forms.ChoiceField):
    """Yes, no, or not known (None)."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(choices=KNOWN, required=False, **kwargs)

    def clean(self, value: Any) -> Any:
        return {"yes": True, "no": False}.get(super().clean(value))


class BeginForm(PlainForm):
    """What the limits depend on."""

    protection_class = forms.ChoiceField(
        choices=[("", "choose"), *((one.value, words) for one, words in CLASS_WORDS.items())],
        label="Protection class",
        help_text="From the rating plate.",
    )
    limit_set = forms.ChoiceField(
        choices=[(one.value, one.words) for one in LimitSet], label="Figures to hold it against"
    )
    cable_m = FigureField(
        required=False, label="Length of the cord, m", help_text="Blank: as if it were short."
    )
    cable_mm2 = FigureField(
        required=False, label="Cross-section of the cord, mm²", help_text="Blank: 1.5 mm²."
    )
    heating_kw = FigureField(required=False, label="Rated heating, kW", help_text="0 for none.")
    heating_connected = KnownField(label="Heating in circuit during the insulation test")
    unearthed_metal = KnownField(label="Touchable metal that is not earthed")
    selv_output = KnownField(label="A touchable low-voltage output")
    portable = KnownField(label="Handheld or carried (UK figures)")

    def facts(self) -> dict[str, Any]:
        given = dict(self.cleaned_data)
        given["cable_mm2"] = given["cable_mm2"] if given["cable_mm2"] is not None else 1.5
        return given


class StepForm(PlainForm):
    """What one step gave. `entry` is of the step's kind."""

    tester = forms.CharField(
        required=False, max_length=80, label="Measured with", help_text="The tester, when noted."
    )
    note = forms.CharField(required=False, max_length=300)

    def __init__(self, data: Any = None, *, step: Step, member: Member) -> None:
        self.step = step
        self.fields_of_service = {step.slug: "entry"}
        super().__init__(data, auto_id=f"{step.slug}_%s", initial={"entry": _first(step, member)})
        self.fields["entry"] = _entry_field(step)
        self.connects = step.kind in ("ohm", "Mohm")
        if self.connects:
            label = "no connection (OL)"
            self.fields["open"] = forms.BooleanField(required=False, label=label)
        if step.kind in ("yes-no", "name"):
            del self.fields["tester"]
        self.order_fields(["entry", "open", "tester", "note"])

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or {}
        typed, open_ = given.get("entry") not in (None, ""), bool(given.get("open"))
        if typed and open_:
            self.add_error("entry", "Give a figure or tick no connection, not both.")
        elif not typed and not open_ and "entry" not in self.errors:
            self.add_error("entry", "Give what it showed; what is not measured never passes.")
        given.setdefault("tester", "")
        return given

    def entry(self) -> Any:
        """Return the entry as the sequence takes it."""
        given = self.cleaned_data
        if given.get("open"):
            return OPEN
        if self.step.kind == "yes-no":
            return given["entry"] == "passed"
        return given["entry"]


def step_form(step: Step, data: Any = None, *, member: Member) -> StepForm:
    return StepForm(data, step=step, member=member)


def _first(step: Step, member: Member) -> str | None:
    return str(member) if step.kind == "name" else None


def _entry_field(step: Step) -> forms.Field:
    if step.kind == "yes-no":
        choices = [("passed", "as it should be"), ("failed", "not as it should be")]
        return forms.ChoiceField(
            choices=choices, widget=forms.RadioSelect, required=False, label=step.name
        )
    if step.kind == "name":
        return forms.CharField(max_length=80, required=False, label="Who answers for it")
    return FigureField(required=False, label=f"Reading, {step.kind}")
