"""What a triage is reckoned from: the guide, what the workshop set, what is known of a job.

Every guide value here is common practice, a guess, and is named as such wherever it is shown.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from donors.models import Appliance
from matching.domain.triage.rules_of_thumb import Rule, check_advice, check_figure
from matching.models import (
    Job,
    JobEstimate,
    Need,
    NewMachinePrice,
    NewPartQuote,
    OwnRule,
    TriageFigures,
)
from matching.services import get_job_locked
from workshop import reference
from workshop.domain.refusals import Checks, ValueRefused
from workshop.errors import InputRefused, NotFound
from workshop.models import Workshop

GUIDE: Mapping[str, int] = {
    "labour_per_hour_cents": 4500,
    "floor_per_week_cents": 200,
    "metal_cents": 800,
    "disposal_cents": 500,
    "labour_minutes": 60,
    "new_part_days": 7,
}
GUIDE_NEW_MACHINE_CENTS = 45_000
GUIDE_NEW_MACHINES: Mapping[str, int] = {
    "washing-machine": 50_000,
    "tumble-dryer": 55_000,
    "dishwasher": 50_000,
    "fridge-freezer": 60_000,
    "microwave": 15_000,
    "coffee-machine": 40_000,
    "vacuum-cleaner": 20_000,
}
NEW_PART_WORKS = 0.95
NEW_OVER_USED = 2.0  # a new part costs so many times what a used one goes for
MEAN_LIFE_YEARS = 12.0

JOB, OWN, GUIDED = "this job", "this workshop", "guide"
MOST_CENTS = 100_000_000
MOST_DAYS = 3_650
_LIMITS = {"labour_minutes": 1_440, "new_part_days": 365}


@dataclass(frozen=True, slots=True)
class Figure:
    """A value and where it is from: this job, this workshop, or the guide."""

    value: float
    source: str


class Figures:
    """A workshop's figures: three queries."""

    def __init__(self, workshop: Workshop) -> None:
        self.row = TriageFigures.of(workshop).first()
        rows = NewMachinePrice.of(workshop).order_by("appliance")
        self.new_machines = dict(rows.values_list("appliance_id", "price_cents"))

    def get(self, name: str) -> Figure:
        """Return one of GUIDE's figures as it stands here."""
        own = getattr(self.row, name, None)
        return Figure(GUIDE[name], GUIDED) if own is None else Figure(own, OWN)

    def new_machine(self, appliance: str) -> Figure:
        own = self.new_machines.get(appliance)
        return Figure(self.guide_machine(appliance), GUIDED) if own is None else Figure(own, OWN)

    @staticmethod
    def guide_machine(appliance: str) -> int:
        return GUIDE_NEW_MACHINES.get(appliance, GUIDE_NEW_MACHINE_CENTS)


@transaction.atomic
def set_figures(
    *,
    workshop: Workshop,
    figures: Mapping[str, int | None],
    new_machines: Mapping[str, int | None] | None = None,
) -> None:
    """Set a workshop's figures; None goes back to the guide. Names left out stay as they are.

    new_machines: price of an equal new machine by appliance. Raises InputRefused by field.
    """
    bad = Checks()
    for name, value in figures.items():
        if name not in GUIDE:
            bad.refuse(name, "is no figure of a triage")
        else:
            bad.number(name, value, least=0, most=_LIMITS.get(name, MOST_CENTS), needed=False)
    prices = new_machines or {}
    known = set(Appliance.objects.values_list("slug", flat=True))
    for slug, price in prices.items():
        if slug not in known:
            bad.refuse(slug, "is no known appliance")
        bad.number(slug, price, above=0, most=MOST_CENTS, needed=False)
    _raise(bad, "The figures were not stored")
    if figures:
        TriageFigures.of(workshop).update_or_create(
            workshop=workshop, defaults=dict(figures), create_defaults=dict(figures)
        )
    for slug, price in prices.items():
        rows = NewMachinePrice.of(workshop)
        if price is None:
            rows.filter(appliance=slug).delete()
        else:
            rows.update_or_create(
                appliance_id=slug, defaults={"workshop": workshop, "price_cents": price}
            )


ESTIMATED = (
    "new_machine_cents",
    "age_years",
    "labour_minutes",
    "patience_days",
    "high_end",
    "major_faults",
    "major_part",
    "safety_corrosion",
)


@transaction.atomic
def estimate_job(
    *,
    workshop: Workshop,
    ref: str,
    known: Mapping[str, Any],
    quotes: Mapping[int, Mapping[str, Any]] | None = None,
) -> JobEstimate:
    """Note what is known of a job: names of ESTIMATED; None is not known any more.

    quotes: by need, price_cents, days, not_to_be_had of a new part. Raises NotFound, InputRefused.
    """
    job = get_job_locked(workshop, ref)
    bad = Checks()
    bad.number(
        "new_machine_cents", known.get("new_machine_cents"), above=0, most=MOST_CENTS, needed=False
    )
    bad.number("age_years", known.get("age_years"), "years", least=0, most=100, needed=False)
    bad.number(
        "labour_minutes", known.get("labour_minutes"), "min", least=0, most=1440, needed=False
    )
    bad.number(
        "patience_days", known.get("patience_days"), "days", least=0, most=MOST_DAYS, needed=False
    )
    bad.number("major_faults", known.get("major_faults"), least=0, most=20, needed=False)
    for need_id, quote in (quotes or {}).items():
        _check_quote(bad, need_id, quote)
    _raise(bad, f"What is known of {ref} was not stored")
    found, _ = JobEstimate.of(workshop).update_or_create(
        job=job, defaults={"workshop": workshop, **known}
    )
    for need_id, quote in (quotes or {}).items():
        _quote(workshop, job.pk, need_id, quote)
    estimate: JobEstimate = found
    return estimate


def _check_quote(bad: Checks, need_id: int, quote: Mapping[str, Any]) -> None:
    price, days = quote.get("price_cents"), quote.get("days")
    bad.number(f"price_{need_id}", price, least=0, most=MOST_CENTS, needed=False)
    bad.number(f"days_{need_id}", days, "days", least=0, most=365, needed=False)
    if quote.get("not_to_be_had") and (price is not None or days is not None):
        bad.refuse(f"price_{need_id}", "is not to be had new, and has no price or days")


def _quote(workshop: Workshop, job_id: int, need_id: int, quote: Mapping[str, Any]) -> None:
    if not Need.of(workshop).filter(pk=need_id, job=job_id).exists():
        raise NotFound(f"This job has no need {need_id}.")
    NewPartQuote.of(workshop).update_or_create(
        need_id=need_id, defaults={"workshop": workshop, **quote}
    )


def guide_rules() -> list[Rule]:
    """Return the rules of thumb of the guide."""
    return [Rule.of(row) for row in reference.read("rules_of_thumb")]


@dataclass(frozen=True, slots=True)
class ShownRule:
    """A rule of thumb as a workshop has it; own: changed from the guide.

    refused: why what was stored before such changes were checked does not count; "" when it does.
    """

    rule: Rule
    guide: Rule
    shown: bool
    own: bool
    refused: str = ""


def is_corroded(job: Job) -> bool:
    """Whether corrosion that bears on safety was found on a job's machine."""
    known: JobEstimate | None = getattr(job, "estimate", None)
    return known is not None and bool(known.safety_corrosion)


def list_rules_of_thumb(workshop: Workshop) -> list[ShownRule]:
    """Return the rules with what the workshop changed, in the guide's order: one query."""
    own = {row.slug: row for row in OwnRule.of(workshop)}
    found = []
    for guide in guide_rules():
        row = own.get(guide.slug)
        refused = "" if row is None else _why_refused(guide, row)
        rule = guide if row is None or refused else _changed(guide, row)
        found.append(ShownRule(rule, guide, row is None or row.shown, row is not None, refused))
    return found


def _why_refused(guide: Rule, row: OwnRule) -> str:
    """Return why a stored change does not count; "" where it does."""
    bad = _checked(guide, row.figure, row.advises)
    if not bad.fields:
        return ""
    figure = "" if row.figure is None else f" with the figure {row.figure:g}"
    why = "; ".join(dict.fromkeys(bad.fields.values()))
    return f"What was stored here, {row.advises}{figure}, does not count: {why}. The guide stands."


def _checked(guide: Rule, figure: float | None, advises: str) -> Checks:
    bad = Checks()
    check_advice(bad, guide.test, advises)
    check_figure(bad, guide.test, figure)
    return bad


def _changed(guide: Rule, row: OwnRule) -> Rule:
    values = {name: getattr(guide, name) for name in Rule.__slots__}
    words = guide.words
    if (row.figure, row.advises) != (guide.figure, guide.advises):
        figure = "" if row.figure is None else f" Here: {row.figure:g}."
        advice = "" if row.advises == guide.advises else f" Here: {row.advises}."
        words = f"{guide.words}{figure}{advice}"
    return Rule(**{**values, "figure": row.figure, "advises": row.advises, "words": words})


@transaction.atomic
def set_rule(
    *, workshop: Workshop, slug: str, figure: float | None, advises: str, shown: bool
) -> None:
    """Change a rule of thumb for a workshop. Raises NotFound, InputRefused by field."""
    guide = _guide_rule(slug)
    _raise(_checked(guide, figure, advises), "The rule was not stored")
    OwnRule.of(workshop).update_or_create(
        slug=slug,
        defaults={"workshop": workshop, "figure": figure, "advises": advises, "shown": shown},
    )


@transaction.atomic
def reset_rule(*, workshop: Workshop, slug: str) -> None:
    """Go back to the guide for one rule. Raises NotFound."""
    _guide_rule(slug)
    OwnRule.of(workshop).filter(slug=slug).delete()


def _guide_rule(slug: str) -> Rule:
    found = next((rule for rule in guide_rules() if rule.slug == slug), None)
    if found is None:
        raise NotFound(f"There is no rule of thumb {slug}.")
    return found


def _raise(bad: Checks, what: str) -> None:
    if bad.fields:
        said = str(ValueRefused(bad.fields))
        raise InputRefused(f"{what}: {said}.", fields=bad.fields)
