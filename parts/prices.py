"""What parts of a kind go for: own price, else what others were priced at, else a guide."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from statistics import median

from parts.models import KindCarried
from parts.stock import AnyPart
from workshop import sql

NEWEST = 50  # priced parts of a kind looked at
LEAST = 3  # fewer say too little; the guide price stands then

_PRICED = """SELECT * FROM (
SELECT part.kind_id, part.price_cents FROM parts_part AS part
JOIN donors_donor AS donor ON donor.id = part.donor_id
WHERE part.workshop_id = %s AND part.kind_id = %s AND part.price_cents IS NOT NULL
  AND part.grade <> 'scrap' AND donor.appliance_id = %s
ORDER BY part.id DESC LIMIT %s) AS one"""


@dataclass(frozen=True, slots=True)
class Price:
    """Cents a good part goes for, and the words that say where that is from."""

    cents: int
    basis: str


@dataclass(frozen=True)
class PriceBook:
    """Prices of the kinds one appliance carries in one workshop: two queries."""

    paid: dict[str, list[int]]
    guide: dict[str, float | None]

    @classmethod
    def load(cls, workshop_id: int, appliance: str, kinds: Collection[str]) -> "PriceBook":
        rows = KindCarried.objects.filter(appliance=appliance, kind__in=list(kinds))
        guide = dict(rows.values_list("kind_id", "guide_price"))
        return cls(_paid(workshop_id, appliance, kinds), guide)

    def price(self, part: AnyPart) -> Price:
        """Return what a part goes for when it is good."""
        if part.price_cents is not None:
            return Price(part.price_cents, "its own price")
        return self.of_kind(part.kind_id)

    def of_kind(self, kind: str) -> Price:
        """Return what a good part of a kind goes for."""
        paid = self.paid.get(kind, [])
        if len(paid) >= LEAST:
            return Price(round(median(paid)), f"middle of {len(paid)} prices here")
        guide = self.guide.get(kind)
        return Price(round(guide * 100), "guide price") if guide else Price(0, "no price known")


def _paid(workshop_id: int, appliance: str, kinds: Collection[str]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = defaultdict(list)
    asked = sorted(kinds)
    if not asked:
        return {}
    values = [value for kind in asked for value in (workshop_id, kind, appliance, NEWEST)]
    for kind, cents in sql.rows(" UNION ALL ".join([_PRICED] * len(asked)), *values):
        found[kind].append(cents)
    return dict(found)
