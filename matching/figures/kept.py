"""Parts put to use again, and about how many kilograms that kept in use."""

import math
from collections import Counter
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

from django.db.models import BooleanField, Count, ExpressionWrapper, Q
from django.db.models.functions import TruncMonth

from donors.models import Appliance
from matching.figures.spans import Span
from matching.models import Outcome
from parts.models import Part
from parts.reference import kinds
from workshop import reference, sql
from workshop.models import Workshop


@dataclass(frozen=True, slots=True)
class Mass:
    """A typical mass in kg, within low..high: a guide, never weighed."""

    kg: float = 0.0
    low: float = 0.0
    high: float = 0.0

    def times(self, count: int) -> "Mass":
        return Mass(self.kg * count, self.low * count, self.high * count)

    def __add__(self, other: "Mass") -> "Mass":
        return Mass(self.kg + other.kg, self.low + other.low, self.high + other.high)

    @property
    def about(self) -> float:
        """Return the mass in kg to two figures: more would claim what nobody weighed."""
        return two_figures(self.kg)

    @property
    def about_low(self) -> float:
        return two_figures(self.low)

    @property
    def about_high(self) -> float:
        return two_figures(self.high)


def two_figures(value: float) -> float:
    """Return a value >= 0 rounded to two figures."""
    return round(value, 1 - math.floor(math.log10(value))) if value > 0 else 0.0


@dataclass(frozen=True, slots=True)
class KindKept:
    """Parts of one kind put to use again. mass: of all of them; None without a weight."""

    slug: str
    name: str
    fitted: int
    sold: int
    mass: Mass | None
    source: str

    @property
    def count(self) -> int:
        return self.fitted + self.sold


class MonthKept(NamedTuple):
    """Parts put to use again in a month, by its first day."""

    month: date
    parts: int


@dataclass(frozen=True, slots=True)
class Machines:
    """Machines of one appliance put right with used parts, and about what they weigh."""

    name: str
    count: int
    mass: Mass | None
    source: str


@dataclass(frozen=True, slots=True)
class Kept:
    """What was put to use again in a span.

    imported: fittings of before this system, among the fitted. guessed: parts whose weight is
    the guide's; unweighed: parts of kinds without a weight, in no sum.
    """

    kinds: list[KindKept]
    months: list[MonthKept]
    machines: list[Machines]
    imported: int

    @property
    def count(self) -> int:
        return sum(one.count for one in self.kinds)

    @property
    def mass(self) -> Mass:
        return sum((one.mass for one in self.kinds if one.mass), Mass())

    @property
    def guessed(self) -> int:
        return sum(one.count for one in self.kinds if one.mass)

    @property
    def unweighed(self) -> int:
        return self.count - self.guessed

    @property
    def machine_mass(self) -> Mass:
        return sum((one.mass for one in self.machines if one.mass), Mass())

    @property
    def machine_count(self) -> int:
        return sum(one.count for one in self.machines)


@lru_cache(maxsize=1)
def weights() -> dict[str, dict[str, Any]]:
    """Return the rows of part_weights.json by kind."""
    return {row["kind"]: row for row in reference.read("part_weights")}


def kept(workshop: Workshop, span: Span) -> Kept:
    """Return the parts fitted or sold in the span: four queries.

    Fitted: reported as working, or as failed later. What did not fit was not put to use.
    """
    fitted, sold, months = Counter[str](), Counter[str](), Counter[date]()
    imported = 0
    within = (span.start, span.end)
    rows = Outcome.of(workshop).filter(fitted_on__range=within).order_by()
    rows = rows.exclude(result=Outcome.Result.DID_NOT_FIT).annotate(
        month=TruncMonth("fitted_on"), loose=ExpressionWrapper(Q(part__isnull=True), BooleanField())
    )
    for kind, month, loose, count in rows.values_list("kind_id", "month", "loose").annotate(
        count=Count("id")
    ):
        fitted[kind] += count
        months[month] += count
        imported += count if loose else 0
    parts = Part.of(workshop).filter(state=Part.State.SOLD, gone_on__range=within).order_by()
    by_month = parts.annotate(month=TruncMonth("gone_on")).values_list("kind_id", "month")
    for kind, month, count in by_month.annotate(count=Count("id")):
        sold[kind] += count
        months[month] += count
    found = [_kind(slug, fitted[slug], sold[slug]) for slug in fitted.keys() | sold.keys()]
    return Kept(
        kinds=sorted(found, key=lambda one: (-one.count, one.name)),
        months=[MonthKept(month, months[month]) for month in span.months],
        machines=_machines(workshop, span),
        imported=imported,
    )


def _kind(slug: str, fitted: int, sold: int) -> KindKept:
    row = weights().get(slug)
    one = Mass(row["kg"], row["low"], row["high"]) if row else None
    mass = one.times(fitted + sold) if one else None
    return KindKept(slug, kinds()[slug].name, fitted, sold, mass, row["source"] if row else "")


# A job is put right on the day its last part went in.
_DONE = """
SELECT appliance_id, COUNT(*) FROM (
  SELECT job.id, job.appliance_id, MAX(outcome.fitted_on) AS day
  FROM matching_job AS job JOIN matching_need AS need ON need.job_id = job.id
  JOIN matching_outcome AS outcome ON outcome.need_id = need.id
  WHERE job.workshop_id = %s AND job.state = 'done' AND outcome.result <> 'did-not-fit'
  GROUP BY job.id, job.appliance_id
) AS done WHERE day BETWEEN %s AND %s GROUP BY appliance_id
"""


def _machines(workshop: Workshop, span: Span) -> list[Machines]:
    done = dict(sql.rows(_DONE, workshop.pk, span.start, span.end))
    found = []
    for one in Appliance.objects.filter(pk__in=list(done)).order_by("name"):
        low, high, mass = one.mass_kg_low, one.mass_kg_high, None
        if low is not None and high is not None:
            mass = Mass((low + high) / 2, low, high).times(done[one.pk])
        found.append(Machines(one.name, done[one.pk], mass, one.source))
    return found
