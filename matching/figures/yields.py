"""What donors brought: parts taken, proven, fitted and sold, hours of stripping, money."""

from dataclasses import dataclass, fields
from functools import reduce
from typing import Any

from donors.models import Appliance, FailureCause
from matching.figures.spans import Span
from workshop import sql
from workshop.models import Workshop


@dataclass(frozen=True, slots=True)
class Yield:
    """Sums over begun donors. Money in cents; minutes only of donors with a time on record.

    timed: donors with minutes on record. unpriced: parts fitted or sold without a price.
    """

    donors: int = 0
    taken: int = 0
    proven: int = 0
    fitted: int = 0
    sold: int = 0
    sold_cents: int = 0
    fitted_cents: int = 0
    unpriced: int = 0
    timed: int = 0
    minutes: float = 0.0
    untimed_steps: int = 0

    def __add__(self, other: "Yield") -> "Yield":
        names = [one.name for one in fields(self)]
        return Yield(*(getattr(self, name) + getattr(other, name) for name in names))

    def per_donor(self, total: float) -> float | None:
        return total / self.donors if self.donors else None

    @property
    def taken_each(self) -> float | None:
        return self.per_donor(self.taken)

    @property
    def proven_each(self) -> float | None:
        return self.per_donor(self.proven)

    @property
    def fitted_each(self) -> float | None:
        return self.per_donor(self.fitted)

    @property
    def sold_each(self) -> float | None:
        return self.per_donor(self.sold)

    @property
    def hours(self) -> float:
        return self.minutes / 60

    @property
    def hours_each(self) -> float | None:
        """Return hours a donor, over those with a time on record."""
        return self.minutes / 60 / self.timed if self.timed else None

    @property
    def money_cents(self) -> int:
        return self.sold_cents + self.fitted_cents

    @property
    def money_cents_each(self) -> float | None:
        return self.per_donor(self.money_cents)


@dataclass(frozen=True, slots=True)
class DonorsOf:
    """Donors of one appliance that failed of one cause. not_begun: nothing was taken or done."""

    appliance: str
    appliance_name: str
    cause: str
    begun: Yield
    not_begun: int


@dataclass(frozen=True, slots=True)
class Yields:
    """Donors received in a span, by appliance and cause, and all of them."""

    rows: list[DonorsOf]

    @property
    def by_appliance(self) -> list[tuple[str, Yield]]:
        """Return the sums of each appliance with a begun donor, by name."""
        found: dict[str, Yield] = {}
        for row in self.rows:
            found[row.appliance_name] = found.get(row.appliance_name, Yield()) + row.begun
        return [(name, one) for name, one in found.items() if one.donors]

    @property
    def begun(self) -> Yield:
        return reduce(Yield.__add__, (row.begun for row in self.rows), Yield())

    @property
    def not_begun(self) -> int:
        return sum(row.not_begun for row in self.rows)


_DONORS = """
WITH mine AS (
  SELECT id, appliance_id, cause_id FROM donors_donor
  WHERE workshop_id = %s AND received_on BETWEEN %s AND %s
), good AS (
  SELECT DISTINCT part_id FROM parts_benchtest
  WHERE workshop_id = %s AND verdict IN ('good', 'worn')
), pieces AS (
  SELECT part.donor_id,
    SUM(CASE WHEN part.removed_on IS NOT NULL THEN 1 ELSE 0 END) AS taken,
    SUM(CASE WHEN good.part_id IS NOT NULL THEN 1 ELSE 0 END) AS proven,
    SUM(CASE WHEN part.state = 'fitted' THEN 1 ELSE 0 END) AS fitted,
    SUM(CASE WHEN part.state = 'sold' THEN 1 ELSE 0 END) AS sold,
    SUM(CASE WHEN part.state = 'sold' THEN COALESCE(part.price_cents, 0) ELSE 0 END) AS sold_cents,
    SUM(CASE WHEN part.state = 'fitted' THEN COALESCE(part.price_cents, 0) ELSE 0 END)
      AS fitted_cents,
    SUM(CASE WHEN part.state IN ('fitted', 'sold') AND part.price_cents IS NULL
      THEN 1 ELSE 0 END) AS unpriced
  FROM parts_part AS part JOIN mine ON mine.id = part.donor_id
  LEFT JOIN good ON good.part_id = part.id GROUP BY part.donor_id
), steps AS (
  SELECT record.donor_id, COUNT(*) AS done,
    SUM(COALESCE(record.said_min, record.timed_min, 0)) AS minutes,
    SUM(CASE WHEN record.said_min IS NULL AND record.timed_min IS NULL THEN 1 ELSE 0 END)
      AS untimed
  FROM parts_steprecord AS record JOIN mine ON mine.id = record.donor_id
  WHERE record.came = 'done' GROUP BY record.donor_id
)
SELECT mine.appliance_id, mine.cause_id,
  CASE WHEN COALESCE(pieces.taken, 0) + COALESCE(steps.done, 0) > 0 THEN 1 ELSE 0 END AS begun,
  COUNT(*), SUM(COALESCE(pieces.taken, 0)), SUM(COALESCE(pieces.proven, 0)),
  SUM(COALESCE(pieces.fitted, 0)), SUM(COALESCE(pieces.sold, 0)),
  SUM(COALESCE(pieces.sold_cents, 0)), SUM(COALESCE(pieces.fitted_cents, 0)),
  SUM(COALESCE(pieces.unpriced, 0)),
  SUM(CASE WHEN COALESCE(steps.minutes, 0) > 0 THEN 1 ELSE 0 END),
  SUM(COALESCE(steps.minutes, 0)), SUM(COALESCE(steps.untimed, 0))
FROM mine LEFT JOIN pieces ON pieces.donor_id = mine.id LEFT JOIN steps ON steps.donor_id = mine.id
GROUP BY mine.appliance_id, mine.cause_id, begun
"""


def _yield(donors: int, *sums: Any) -> Yield:
    """Return sums as the database gives them, in the order of the fields, as plain numbers."""
    names = [one.name for one in fields(Yield)][1:]
    given = dict(zip(names, sums, strict=True))
    minutes = float(given.pop("minutes"))
    return Yield(donors, minutes=minutes, **{name: int(value) for name, value in given.items()})


def yields(workshop: Workshop, span: Span) -> Yields:
    """Return what donors received in the span brought so far: three queries.

    A donor is begun when a part was taken off it or a strip step is on record as done.
    """
    found: dict[tuple[str, int | None], tuple[Yield, int]] = {}
    for row in sql.rows(_DONORS, workshop.pk, span.start, span.end, workshop.pk):
        appliance, cause, begun, donors, *sums = row
        one, waiting = found.get((appliance, cause), (Yield(), 0))
        if begun:
            one = _yield(donors, *sums)
        else:
            waiting += donors
        found[appliance, cause] = one, waiting
    names = dict(Appliance.objects.values_list("slug", "name"))
    causes = dict(
        FailureCause.objects.filter(pk__in={cause for _, cause in found if cause}).values_list(
            "pk", "name"
        )
    )
    rows = [
        DonorsOf(slug, names[slug], causes[cause] if cause else "cause not known", one, waiting)
        for (slug, cause), (one, waiting) in found.items()
    ]
    return Yields(sorted(rows, key=lambda row: (row.appliance_name, row.cause)))
