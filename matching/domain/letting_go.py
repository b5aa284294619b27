"""How many parts of a kind are enough, by three rules, and which of them says what of one part.

What is asked for within two years is kept (practice.md 9; common practice). The rules count
parts; which ones go is for the reader: worst grade first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

from parts.domain.keeping import critical_ratio, how_many_to_keep, keep_value
from workshop.domain.refusals import Checks

PRIOR_ASKED = 0.5  # as keeping.how_many_to_keep
MOST_A_YEAR = 10_000.0


@dataclass(frozen=True, slots=True)
class Guide:
    """What keeping is weighed by. shelf_per_year in the workshop's money; see shelf_keeping.json.

    most_unasked: parts kept of a kind nobody asked for in quiet_months.
    """

    shelf_per_year: float
    ahead_months: float
    look_back_months: float
    most_unasked: int
    quiet_months: float

    @classmethod
    def of(cls, data: Mapping[str, Any], *, shelf_per_year: float | None = None) -> Self:
        """Build from the file. shelf_per_year: the workshop's own; refused by that name."""
        own = data["shelf_per_year"]["amount"] if shelf_per_year is None else shelf_per_year
        with Checks() as bad:
            bad.number("shelf_per_year", own, "a year", above=0, most=MOST_A_YEAR)
        return cls(
            float(own),
            data["ahead_months"]["amount"],
            data["look_back_months"]["amount"],
            data["most_unasked"]["amount"],
            data["most_unasked"]["quiet_months"],
        )

    @property
    def years(self) -> float:
        return self.ahead_months / 12


@dataclass(frozen=True, slots=True)
class Standing:
    """Parts of a kind on the shelf that nobody is promised, and how often it was asked for.

    wanted: those that may serve a waiting job; asked: in the `months` counted; asked_lately: in
    the quiet months. price: what a good one goes for; 0 where no price is known.
    """

    count: int
    wanted: int
    asked: int
    asked_lately: int
    months: float
    price: float


@dataclass(frozen=True, slots=True)
class Advice:
    """How many are enough by each rule; None where the rule says nothing.

    demand: newsvendor on the demand ahead. worth: the last that is worth its place.
    unasked: common practice for kinds nobody asks for. keep: the least of them, and no fewer
    than are wanted.
    """

    demand: int
    worth: int | None
    unasked: int | None
    keep: int
    surplus: int


def advise(standing: Standing, guide: Guide) -> Advice:
    """Return how many of a kind to keep. Without a known price only requests count."""
    demand = _by_demand(standing, guide)
    worth = _worth_keeping(standing, guide) if standing.price > 0 else None
    unasked = guide.most_unasked if standing.asked_lately == 0 else None
    least = min(limit for limit in (demand, worth, unasked) if limit is not None)
    keep = min(standing.count, max(standing.wanted, least))
    return Advice(demand, worth, unasked, keep, standing.count - keep)


def asked_per_year(standing: Standing) -> float:
    """Return the posterior mean of requests a year: Gamma(0.5 + asked, months)."""
    return 12 * (PRIOR_ASKED + standing.asked) / _months(standing)


def shared_value(standing: Standing, guide: Guide, *, price: float, among: int) -> float:
    """Return what keeping one of `among` parts is expected to bring, which share the requests."""
    return keep_value(
        asked_per_year=asked_per_year(standing) / among,
        years=guide.years,
        price=price,
        shelf_per_year=guide.shelf_per_year,
    )


def _months(standing: Standing) -> float:
    return max(1.0, standing.months)


def _by_demand(standing: Standing, guide: Guide) -> int:
    cost = guide.shelf_per_year * guide.years
    # Without a price a part is taken to be worth twice its place: as likely kept as not.
    ratio = critical_ratio(price=standing.price or 2 * cost, cost=cost)
    return how_many_to_keep(
        asked=standing.asked,
        months=_months(standing),
        ahead_months=guide.ahead_months,
        ratio=ratio,
        prior_asked=PRIOR_ASKED,
    )


def _worth_keeping(standing: Standing, guide: Guide) -> int:
    """Return the most parts of which each is worth its place: the value falls with their number."""
    low, high = 0, standing.count
    while low < high:
        middle = (low + high + 1) // 2
        worth = shared_value(standing, guide, price=standing.price, among=middle) > 0
        low, high = (middle, high) if worth else (low, middle - 1)
    return low
