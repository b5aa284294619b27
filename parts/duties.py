"""What a maker still has to supply for a model: each part class, or one of our kinds."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from donors.models import ModelNumber
from parts.domain.spare_part_duties import Duty, Rule, class_of_kind, duty
from parts.reference import duty_rules
from workshop.domain.intervals import Interval, from_ends


@dataclass(frozen=True, slots=True)
class Sold:
    """What is known of when a model was sold. built: the machine's own earliest build date."""

    appliance: str
    last: Interval | None = None
    built: date | None = None

    @classmethod
    def of(cls, appliance: str, model: ModelNumber | None, built: date | None = None) -> "Sold":
        last = from_ends(model.last_sold_from, model.last_sold_to) if model else None
        return cls(appliance, last, built)


def rules_for(appliance: str) -> list[Rule]:
    return [rule for rule in duty_rules() if rule.appliance == appliance]


def duties(sold: Sold, *, on: date) -> list[tuple[Rule, Duty]]:
    """Return the duty of every part class of an appliance; [] where no rule covers it."""
    return [(rule, _ask(sold, rule.part_class, on)) for rule in rules_for(sold.appliance)]


def duty_of_kind(sold: Sold, kind: str, *, on: date) -> Duty | None:
    """Return the duty to supply a part of one of our kinds; None where no rule names it."""
    part_class = class_of_kind(duty_rules(), appliance=sold.appliance, kind=kind)
    return _ask(sold, part_class, on) if part_class else None


def duties_of_kinds(sold: Sold, kinds: Iterable[str], *, on: date) -> dict[str, Duty]:
    """Return the duty of each kind some rule names."""
    found = {kind: duty_of_kind(sold, kind, on=on) for kind in set(kinds)}
    return {kind: one for kind, one in found.items() if one is not None}


def _ask(sold: Sold, part_class: str, on: date) -> Duty:
    return duty(
        duty_rules(),
        appliance=sold.appliance,
        part_class=part_class,
        last_on_market=sold.last,
        on=on,
        built=sold.built,
    )
