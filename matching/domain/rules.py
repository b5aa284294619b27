"""Approved statements on what fits what, as the engine reads them."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
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
REFUSES = "does-not-fit"

# How far a rule's build span covers a machine: 0 outside, 1 wholly inside, between the share of
# its build interval that lies inside. None: all else is met and the build date is not known.
Share = float | None


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
        """Return True when every condition is certainly met."""
        return self.share(offer, want) == 1.0

    def share(self, offer: Side, want: Side) -> Share:
        """Return how far the rule covers a pair; of the two ways the one that covers more."""
        found = _both(self.donor_side, offer, self.job_side, want)
        if found == 1.0 or not self.both_ways:
            return found
        return max(found, _both(self.donor_side, want, self.job_side, offer), key=_as_rank)


@dataclass(frozen=True, slots=True)
class Cover:
    """A rule and how far it covers a pair: certainly (share 1), in part, or None: unknown."""

    rule: ApprovedRule
    share: Share

    @property
    def certain(self) -> bool:
        return self.share == 1.0


def _both(a: Mapping[str, Any], one: Side, b: Mapping[str, Any], other: Side) -> Share:
    first = share_met(a, one)
    if first == 0.0:
        return 0.0
    second = share_met(b, other)
    if second == 0.0:
        return 0.0
    return None if first is None or second is None else first * second


def _as_rank(share: Share) -> float:
    """Sort key: nothing, unknown, a part, all."""
    return 1e-9 if share is None else share


def meets(conditions: Mapping[str, Any], side: Side) -> bool:
    """Return True when a side certainly meets every condition; what is unknown meets none."""
    return share_met(conditions, side) == 1.0


def share_met(conditions: Mapping[str, Any], side: Side) -> Share:
    """Return how far a side meets the conditions. Only build dates leave it open.

    Anything else that is unknown meets no condition. A build date is an interval, and days
    within it are taken as equally likely, for nothing better is known.
    """
    machine = side.machine
    for name, found in (("make", machine.make), ("family", machine.family)):
        if conditions.get(name) and conditions[name] != found:
            return 0.0
    for name, known in (("fields", machine.fields), ("attributes", side.attributes)):
        if not _all_in(conditions.get(name) or {}, known):
            return 0.0
    numbers = conditions.get("part_numbers")
    if numbers and side.number.canonical not in number_keys(tuple(numbers)):
        return 0.0
    span = span_of(conditions)
    if span is None:
        return 1.0
    return None if machine.built is None else _share_inside(machine.built, span)


@lru_cache(maxsize=4096)
def number_keys(numbers: tuple[str, ...]) -> frozenset[str]:
    """Return part numbers in the form they are compared in (asked for at every pair)."""
    return frozenset(map(canonical, numbers)) - {""}


def _all_in(wanted: Mapping[str, str], found: Mapping[str, str]) -> bool:
    return all(found.get(name) == value for name, value in wanted.items())


def span_of(conditions: Mapping[str, Any]) -> Interval | None:
    """Return the days a rule covers: an end left blank is open. None when both are."""
    first, last = conditions.get("built_from"), conditions.get("built_to")
    if not first and not last:
        return None
    return Interval(
        date.fromisoformat(str(first)) if first else date.min,
        date.fromisoformat(str(last)) if last else date.max,
    )


def _share_inside(built: Interval, span: Interval) -> float:
    if not built.overlaps(span):
        return 0.0
    inside = min(built.end, span.end) - max(built.start, span.start)
    return (inside.days + 1) / ((built.end - built.start).days + 1)


def strongest(rules: Sequence[ApprovedRule], offer: Side, want: Side) -> Cover | None:
    """Return the rule that decides, and how far it covers the pair; None when none does.

    A refusal comes before conditions before a plain yes. What is certain comes before what
    may be, but for a refusal: one that may apply comes before a yes that does.
    """
    return min(_covers(rules, offer, want), key=_precedence, default=None)


def _covers(rules: Sequence[ApprovedRule], offer: Side, want: Side) -> Iterator[Cover]:
    for rule in rules:
        share = rule.share(offer, want)
        if share != 0.0:
            yield Cover(rule, share)


def _precedence(cover: Cover) -> tuple[bool, bool, bool, float, int]:
    rule = cover.rule
    return (
        rule.says != REFUSES,
        not cover.certain,
        rule.says != "fits-with-conditions",
        -_as_rank(cover.share),
        rule.id,
    )
