"""Forms of a triage: what is known of a job, the workshop's figures, its rules of thumb."""

from collections.abc import Mapping
from typing import Any

from django import forms

from donors.models import Appliance
from matching.domain.triage.rules_of_thumb import ADVICE
from matching.models import JobEstimate, Need, NewPartQuote
from matching.triage_figures import GUIDE, Figures, ShownRule
from workshop.domain import money
from workshop.models import Workshop
from workshop.web.forms import MoneyField, PlainForm

YES_NO: list[tuple[str, str]] = [("", "not known"), ("yes", "yes"), ("no", "no")]
_MEANT = {"yes": True, "no": False, "": None}


def _count(label: str, most: int, **options: Any) -> forms.IntegerField:
    return forms.IntegerField(required=False, min_value=0, max_value=most, label=label, **options)


class EstimateForm(PlainForm):
    """What a person knows of one job; blank: the workshop's figure, or the guide."""

    fields_of_service: Mapping[str, str] = {"new_machine_cents": "new_machine"}
    new_machine = MoneyField(required=False, label="An equal new machine costs")
    age_years = forms.FloatField(
        required=False,
        min_value=0,
        max_value=100,
        label="Age in years",
        help_text="Blank: from its build date.",
    )
    labour_minutes = _count("Labour of one try, minutes", 1440)
    patience_days = _count("The customer waits, days", 3650)
    major_faults = _count("Independent major faults", 20)
    major_part = forms.ChoiceField(
        required=False,
        choices=YES_NO,
        label="A major part is gone",
        help_text="Drum, board and motor, sealed system.",
    )
    safety_corrosion = forms.ChoiceField(
        required=False, choices=YES_NO, label="Corrosion that bears on safety"
    )
    high_end = forms.BooleanField(required=False, label="A high-end machine")

    def __init__(self, data: Any = None, *, needs: Any, **kwargs: Any) -> None:
        super().__init__(data, **kwargs)
        self.need_ids = [need.pk for need in needs]
        for need in needs:
            what = f"{need.kind.name} ({need.position})" if need.position else need.kind.name
            self.fields[f"price_{need.pk}"] = MoneyField(
                required=False, label=f"{what}, new: costs"
            )
            self.fields[f"days_{need.pk}"] = _count(f"{what}, new: takes days", 365)
            self.fields[f"gone_{need.pk}"] = forms.BooleanField(
                required=False, label=f"{what}: not to be had new"
            )

    def known(self) -> dict[str, Any]:
        given = self.cleaned_data
        return {
            "new_machine_cents": given["new_machine"],
            "age_years": given["age_years"],
            "labour_minutes": given["labour_minutes"],
            "patience_days": given["patience_days"],
            "major_faults": given["major_faults"],
            "major_part": _MEANT[given["major_part"]],
            "safety_corrosion": _MEANT[given["safety_corrosion"]],
            "high_end": given["high_end"],
        }

    def quotes(self) -> dict[int, dict[str, Any]]:
        given = self.cleaned_data
        return {
            pk: {
                "price_cents": given[f"price_{pk}"],
                "days": given[f"days_{pk}"],
                "not_to_be_had": given[f"gone_{pk}"],
            }
            for pk in self.need_ids
        }


def estimate_form(
    needs: tuple[Need, ...],
    estimate: JobEstimate | None,
    quotes: Mapping[int, NewPartQuote],
    data: Any = None,
) -> EstimateForm:
    words = {True: "yes", False: "no", None: ""}
    initial: dict[str, Any] = {}
    if estimate is not None:
        initial = {
            "new_machine": estimate.new_machine_cents,
            "age_years": estimate.age_years,
            "labour_minutes": estimate.labour_minutes,
            "patience_days": estimate.patience_days,
            "major_faults": estimate.major_faults,
            "major_part": words[estimate.major_part],
            "safety_corrosion": words[estimate.safety_corrosion],
            "high_end": estimate.high_end,
        }
    for pk, quote in quotes.items():
        initial |= {
            f"price_{pk}": quote.price_cents,
            f"days_{pk}": quote.days,
            f"gone_{pk}": quote.not_to_be_had,
        }
    return EstimateForm(data, needs=needs, initial=initial)


LABELS = {
    "labour_per_hour_cents": "An hour of labour",
    "floor_per_week_cents": "A week of floor for one machine",
    "metal_cents": "Metal of a bare machine brings",
    "disposal_cents": "Disposal of the rest costs",
    "labour_minutes": "Labour of one try, minutes",
    "new_part_days": "A new part takes, days",
}


class FiguresForm(PlainForm):
    """A workshop's figures; blank: the guide."""

    def __init__(self, data: Any = None, *, workshop: Workshop) -> None:
        figures = Figures(workshop)
        self.appliances = list(Appliance.objects.order_by("name"))
        initial: dict[str, Any] = {f"new_{k}": v for k, v in figures.new_machines.items()}
        initial |= {name: getattr(figures.row, name, None) for name in GUIDE}
        initial |= {
            name: getattr(workshop, name)
            for name in ("first_review_days", "second_review_days", "wait_days")
        }
        super().__init__(data, initial=initial)
        for name, guide in GUIDE.items():
            if name.endswith("_cents"):
                said = f"Blank: the guide, {money.to_text(guide)}."
                self.fields[name] = MoneyField(required=False, label=LABELS[name], help_text=said)
            else:
                self.fields[name] = _count(
                    LABELS[name], 1440, help_text=f"Blank: the guide, {guide}."
                )
        for one in self.appliances:
            guide = Figures.guide_machine(one.slug)
            self.fields[f"new_{one.slug}"] = MoneyField(
                required=False,
                label=f"New: {one.name.lower()}",
                help_text=f"Blank: the guide, {money.to_text(guide)}.",
            )
        self.fields["first_review_days"] = _count("Look at a waiting job after days", 365)
        self.fields["second_review_days"] = _count("And again after days", 366)
        self.fields["wait_days"] = _count("A job waits, days", 366)
        for name in ("first_review_days", "second_review_days", "wait_days"):
            self.fields[name].required = True

    @property
    def fields_of_service(self) -> Mapping[str, str]:  # type: ignore[override]
        return {one.slug: f"new_{one.slug}" for one in self.appliances}

    def figures(self) -> dict[str, int | None]:
        return {name: self.cleaned_data[name] for name in GUIDE}

    def new_machines(self) -> dict[str, int | None]:
        return {one.slug: self.cleaned_data[f"new_{one.slug}"] for one in self.appliances}


class RuleForm(PlainForm):
    """One rule of thumb of the workshop's own."""

    figure = forms.FloatField(required=False)
    advises = forms.ChoiceField(choices=[(one, one) for one in ADVICE])
    shown = forms.BooleanField(required=False, label="Shown beside a triage")


def rule_form(row: ShownRule, data: Any = None) -> RuleForm:
    initial = {"figure": row.rule.figure, "advises": row.rule.advises, "shown": row.shown}
    form = RuleForm(data, initial=initial, auto_id=f"{row.rule.slug}_%s")
    if row.guide.figure is None:
        del form.fields["figure"]
    return form
