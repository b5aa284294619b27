"""Approved statements on what fits what, as the engine reads them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from donors.domain.model_numbers import canonical
from matching.domain.sides import Side
from workshop.domain.intervals import Interval

CONDITION_NAMES = (
    "make",
    "family",
    "fields",
    "part_numbers",
    "built_from",
    "built_to",
    "attributes",
)


@dataclass(frozen=True, slots=True)
class ApprovedRule:
    """One approved rule. donor_side, job_side: conditions by name, see CONDITION_NAMES."""

    id: int
    says: str
    donor_side: Mapping[str, Any] = field(default_factory=dict)
    job_side: Mapping[str, Any] = field(default_factory=dict)
    both_ways: bool = False
    conditions: str = ""

    def applies(self, offer: Side, want: Side) -> bool:
        """Return True when every condition is met; what is unknown meets no condition."""
        if meets(self.donor_side, offer) and meets(self.job_side, want):
            return True
        return self.both_ways and meets(self.donor_side, want) and meets(self.job_side, offer)


def meets(conditions: Mapping[str, Any], side: Side) -> bool:
    """Return True when a side meets every condition."""
    machine = side.machine
    built = _span(conditions.get("built_from"), conditions.get("built_to"))
    checks = [
        (conditions.get("make"), lambda make: machine.make == make),
        (conditions.get("family"), lambda family: machine.family == family),
        (conditions.get("fields"), lambda want: _all_in(want, machine.fields)),
        (
            conditions.get("part_numbers"),
            lambda numbers: side.number.canonical in set(map(canonical, numbers)) - {""},
        ),
        (built, lambda span: machine.built is not None and machine.built.overlaps(span)),
        (conditions.get("attributes"), lambda want: _all_in(want, side.attributes)),
    ]
    return all(check(value) for value, check in checks if value)


def _all_in(wanted: Mapping[str, str], found: Mapping[str, str]) -> bool:
    return all(found.get(name) == value for name, value in wanted.items())


def _span(first: object, last: object) -> Interval | None:
    """Return the days a rule covers: an end left blank is open. None when both are."""
    if not first and not last:
        return None
    return Interval(
        date.fromisoformat(str(first)) if first else date.min,
        date.fromisoformat(str(last)) if last else date.max,
    )


def strongest(rules: Sequence[ApprovedRule], offer: Side, want: Side) -> ApprovedRule | None:
    """Return the rule that decides: a refusal before conditions before a plain yes."""
    order = ("does-not-fit", "fits-with-conditions", "fits")
    found = [rule for rule in rules if rule.applies(offer, want)]
    return min(found, key=lambda rule: (order.index(rule.says), rule.id), default=None)
