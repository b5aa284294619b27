"""Whether a maker still has to supply a spare part in the European Union, to whom, until when.

Years count from the last unit of the model placed on the market, not from the build date of the
machine in hand, which only says "not before". Rows: fixtures/reference/spare_part_duties.json.
A summary of the regulations: local law and the text in force decide.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any, Self

from workshop.domain.intervals import Interval
from workshop.domain.months import years_after

CAUTION = (
    "A summary of European rules, not legal advice: the text in force, national law and the "
    "market surveillance of your country decide."
)


class Holds(StrEnum):
    """Whether there is a duty on a day."""

    YES = "yes"
    NO_DUTY = "no duty"  # there never was one
    EXPIRED = "expired"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Rule:
    """One row: a part class of an appliance. audience: professional, or also end-user."""

    appliance: str
    part_class: str
    name: str
    audience: str
    years: int
    delivery_working_days: int
    applies_from: date
    kinds: tuple[str, ...]
    source: str

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Self:
        """Build from a row of spare_part_duties.json."""
        values = dict(row)
        values["applies_from"] = date.fromisoformat(row["applies_from"])
        values["kinds"] = tuple(row["kinds"])
        return cls(**values)

    @property
    def to_whom(self) -> str:
        also = " and end users" if self.audience == "end-user" else ""
        return f"professional repairers{also}"


@dataclass(frozen=True, slots=True)
class Duty:
    """The answer. until: the span in which the duty ends; one day when the last day is known."""

    holds: Holds
    sentence: str
    rule: Rule | None = None
    until: Interval | None = None
    caution: str = CAUTION


def year(last: int) -> Interval:
    """Return the span of a model whose last year on the market is all that is known."""
    return Interval(date(last, 1, 1), date(last, 12, 31))


def find(rules: Iterable[Rule], *, appliance: str, part_class: str) -> Rule | None:
    """Return the rule of a part class, None where the regulations name none."""
    same = (r for r in rules if (r.appliance, r.part_class) == (appliance, part_class))
    return next(same, None)


def class_of_kind(rules: Iterable[Rule], *, appliance: str, kind: str) -> str | None:
    """Return the part class one of our part kinds falls under; None where no rule names it."""
    same = (r.part_class for r in rules if r.appliance == appliance and kind in r.kinds)
    return next(same, None)


def duty(
    rules: Iterable[Rule],
    *,
    appliance: str,
    part_class: str,
    last_on_market: Interval | None,
    on: date,
    built: date | None = None,
) -> Duty:
    """Return the duty on the day `on`.

    last_on_market: when the model's last unit was placed on the market (a day, or `year(2022)`);
    None: not known, and then only `built`, the machine's own build date, speaks: the last unit
    came no earlier.
    """
    rule = find(rules, appliance=appliance, part_class=part_class)
    if rule is None:
        return Duty(Holds.NO_DUTY, "No rule in our table names this part of this appliance.")
    if last_on_market is None:
        return _from_build(rule, built, on)
    if last_on_market.end < rule.applies_from:
        return Duty(
            Holds.NO_DUTY,
            f"No duty: the model's last unit came on the market before {rule.applies_from} "
            f"({rule.source}).",
            rule,
        )
    ends = Interval(
        years_after(last_on_market.start, rule.years), years_after(last_on_market.end, rule.years)
    )
    if last_on_market.start < rule.applies_from or ends.start < on <= ends.end:
        holds = Holds.EXPIRED if on > ends.end else Holds.UNKNOWN
    else:
        holds = Holds.YES if on <= ends.start else Holds.EXPIRED
    return Duty(holds, _sentence(rule, holds, ends), rule, ends)


def _from_build(rule: Rule, built: date | None, on: date) -> Duty:
    if built is None or built < rule.applies_from or on > years_after(built, rule.years):
        why = "Not known: it counts from the last unit of the model on the market; look that up."
        return Duty(Holds.UNKNOWN, why, rule)
    sure = years_after(built, rule.years)
    return Duty(
        Holds.YES,
        f"{_terms(rule)} at least until {sure}: the model was still sold when this machine was "
        f"built ({rule.source}).",
        rule,
    )


def _terms(rule: Rule) -> str:
    return (
        f"{rule.name}: to be supplied to {rule.to_whom} within {rule.delivery_working_days} "
        f"working days"
    )


def _sentence(rule: Rule, holds: Holds, ends: Interval) -> str:
    when = {
        Holds.YES: f"{_terms(rule)}, until {ends}",
        Holds.EXPIRED: f"{rule.name}: any duty ended {ends}",
        Holds.UNKNOWN: f"{rule.name}: not known to the day; if there is a duty it ends {ends}",
    }
    return f"{when[holds]} ({rule.source})."
