"""What stands on the shelf, for how long, and what of it to let go. Nothing goes by itself.

Parts are counted by the database, by kind and appliance; the parts to let go are looked up a
page at a time, so that a page costs the same whatever stands there.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from typing import Any

from django.db.models import Count, Min, Q

from donors.models import Appliance
from matching.domain.letting_go import Advice, Guide, Standing, advise, shared_value
from matching.figures.spans import months_on
from matching.models import Job, Need
from parts import sisters
from parts.models import Grade, Part
from parts.prices import PriceBook
from parts.reference import kinds
from workshop import reference, sql
from workshop.domain.refusals import ValueRefused
from workshop.errors import InputRefused
from workshop.models import Workshop

ON_SHELF = (Part.State.REMOVED, Part.State.SHELVED)
NO_DAY = "not-known"
SCRAP = "graded scrap: it may be neither fitted nor sold"
# (slug, words, months from, months below); None is open.
BANDS = (
    ("below-3", "under 3 months", 0, 3),
    ("3-6", "3 to 6 months", 3, 6),
    ("6-12", "6 to 12 months", 6, 12),
    ("12-24", "1 to 2 years", 12, 24),
    ("from-24", "2 years or more", 24, None),
    (NO_DAY, "day not on record", None, None),
)
SHELF_PAGE = 50
DAYS_A_MONTH = 365.25 / 12


@dataclass(frozen=True, slots=True)
class Pile:
    """Parts together, some priced. Scrap is not among them."""

    count: int = 0
    priced: int = 0
    cents: int = 0
    guessed_cents: int = 0

    def __add__(self, other: "Pile") -> "Pile":
        return Pile(
            self.count + other.count,
            self.priced + other.priced,
            self.cents + other.cents,
            self.guessed_cents + other.guessed_cents,
        )

    @property
    def value_cents(self) -> int:
        """Own prices, and for the others what such parts go for here or by the guide."""
        return self.cents + self.guessed_cents


@dataclass(frozen=True, slots=True)
class Band:
    """Parts that stand there for about as long."""

    slug: str
    name: str
    pile: Pile


@dataclass(frozen=True, slots=True)
class Group:
    """The parts of a kind from one appliance ("" for parts without a machine)."""

    kind: str
    appliance: str
    appliance_name: str
    standing: Standing
    advice: Advice
    held: int

    @property
    def name(self) -> str:
        return str(kinds()[self.kind].name)


@dataclass(frozen=True, slots=True)
class Shelf:
    """All that stands there today. scrap: parts graded scrap that still take up a place."""

    bands: list[Band]
    groups: list[Group]
    held: int
    scrap: int
    guide: Guide

    @property
    def pile(self) -> Pile:
        return sum((band.pile for band in self.bands), Pile())

    @property
    def surplus(self) -> list[Group]:
        """Return the groups with more than enough, most first."""
        over = [group for group in self.groups if group.advice.surplus]
        return sorted(over, key=lambda one: (-one.advice.surplus, one.name, one.appliance))

    @property
    def to_let_go(self) -> int:
        return self.scrap + sum(group.advice.surplus for group in self.groups)


@dataclass(frozen=True, slots=True)
class LetGo:
    """One part that may go, with why. value: what keeping it is expected to bring, in money."""

    part: Part
    reasons: tuple[str, ...]
    value: float | None
    in_doubt: bool


@lru_cache(maxsize=1)
def _guide_file() -> dict[str, Any]:
    data: dict[str, Any] = reference.read("shelf_keeping")
    return data


def guide(shelf_per_year: float | None = None) -> Guide:
    """Return what keeping is weighed by. Raises InputRefused with field `shelf_per_year`."""
    try:
        return Guide.of(_guide_file(), shelf_per_year=shelf_per_year)
    except ValueRefused as bad:
        raise InputRefused(
            "This cannot be what a place on the shelf costs.", fields=bad.fields
        ) from bad


def shelf(workshop: Workshop, *, today: date, shelf_per_year: float | None = None) -> Shelf:
    """Return what stands on the shelf. About twenty queries: two for each appliance's prices."""
    weighed_by = guide(shelf_per_year)
    rows = _counted(workshop, today)
    prices = _prices(workshop, rows)
    bands: dict[str, Pile] = {slug: Pile() for slug, *_ in BANDS}
    for row in rows:
        unpriced = row.count - row.priced
        guessed = unpriced * prices.get((row.appliance, row.kind), 0)
        bands[row.band] += Pile(row.count, row.priced, row.cents, guessed)
    return Shelf(
        bands=[Band(slug, name, bands[slug]) for slug, name, *_ in BANDS],
        groups=_groups(workshop, rows, prices, weighed_by, today),
        held=sum(row.held for row in rows),
        scrap=Part.of(workshop).filter(state__in=ON_SHELF, grade=Grade.SCRAP).count(),
        guide=weighed_by,
    )


@dataclass(frozen=True, slots=True)
class _Row:
    """Parts of a kind, appliance and age, as the database counts them."""

    kind: str
    appliance: str
    band: str
    count: int
    priced: int
    cents: int
    held: int
    wanted: int


# Promised: held for a job, or proposed to one and not answered yet.
_HELD = (
    "(SELECT part_id FROM matching_hold WHERE workshop_id = {w} AND released_at IS NULL "
    "UNION ALL SELECT part_id FROM matching_proposal WHERE workshop_id = {w} AND state = 'open')"
)
_WANTED = (
    "(SELECT found.part_id FROM matching_match AS found "
    "JOIN matching_need AS need ON need.id = found.need_id "
    "JOIN matching_job AS job ON job.id = need.job_id "
    "WHERE found.workshop_id = {w} AND need.state = 'open' AND job.state = 'open' "
    "AND found.p_fit >= {told})"
)


def _marks(workshop: Workshop) -> dict[str, str]:
    """Return the lists of parts that are promised, and that may serve a waiting job."""
    told = repr(float(workshop.alert_from_p_fit))
    return {"held": _HELD.format(w=workshop.pk), "wanted": _WANTED.format(w=workshop.pk, told=told)}


def _counted(workshop: Workshop, today: date) -> list[_Row]:
    """Return what stands there by kind, appliance and age: one query."""
    lists = _marks(workshop)
    limits = [months_on(today, -months) for months in (3, 6, 12, 24)]
    text = f"""
    SELECT kind_id, appliance, band, COUNT(*), COUNT(price_cents),
      SUM(COALESCE(price_cents, 0)), SUM(held), SUM(CASE WHEN held = 1 THEN 0 ELSE wanted END)
    FROM (
      SELECT part.kind_id, COALESCE(donor.appliance_id, '') AS appliance, part.price_cents,
        CASE WHEN part.removed_on IS NULL THEN 5 WHEN part.removed_on > %s THEN 0
          WHEN part.removed_on > %s THEN 1 WHEN part.removed_on > %s THEN 2
          WHEN part.removed_on > %s THEN 3 ELSE 4 END AS band,
        CASE WHEN part.id IN {lists["held"]} THEN 1 ELSE 0 END AS held,
        CASE WHEN part.id IN {lists["wanted"]} THEN 1 ELSE 0 END AS wanted
      FROM parts_part AS part LEFT JOIN donors_donor AS donor ON donor.id = part.donor_id
      WHERE part.workshop_id = %s AND part.state IN ('removed', 'shelved')
        AND part.grade <> 'scrap'
    ) AS standing GROUP BY kind_id, appliance, band
    """
    found = sql.rows(text, *limits, workshop.pk)
    return [
        _Row(kind, appliance, BANDS[band][0], *map(int, counts))
        for kind, appliance, band, *counts in found
    ]


def _prices(workshop: Workshop, rows: Iterable[_Row]) -> dict[tuple[str, str], int]:
    """Return what a good part goes for, in cents, by appliance and kind."""
    slugs: dict[str, set[str]] = {}
    for row in rows:
        slugs.setdefault(row.appliance, set()).add(row.kind)
    found: dict[tuple[str, str], int] = {}
    for appliance, wanted in slugs.items():
        book = PriceBook.load(workshop.pk, appliance, wanted)
        found |= {(appliance, kind): book.of_kind(kind).cents for kind in wanted}
    return found


def _groups(
    workshop: Workshop,
    rows: Iterable[_Row],
    prices: dict[tuple[str, str], int],
    weighed_by: Guide,
    today: date,
) -> list[Group]:
    counts: dict[tuple[str, str], Counter[str]] = {}
    for row in rows:
        one = counts.setdefault((row.kind, row.appliance), Counter())
        one.update(count=row.count - row.held, wanted=row.wanted, held=row.held)
    asked = _Asked.load(workshop, weighed_by, today)
    names = dict(Appliance.objects.values_list("slug", "name"))
    found = []
    for (kind, appliance), one in sorted(counts.items()):
        standing = Standing(
            count=one["count"],
            wanted=one["wanted"],
            asked=asked.since(kind, appliance, asked.long),
            asked_lately=asked.since(kind, appliance, asked.lately),
            months=asked.months,
            price=prices.get((appliance, kind), 0) / 100,
        )
        name = names.get(appliance, "no machine")
        advice = advise(standing, weighed_by)
        found.append(Group(kind, appliance, name, standing, advice, one["held"]))
    return found


@dataclass(frozen=True, slots=True)
class _Asked:
    """Requests by kind and appliance, in the months looked back and lately: two queries."""

    months: float
    long: Counter[tuple[str, str]] = field(default_factory=Counter)
    lately: Counter[tuple[str, str]] = field(default_factory=Counter)

    @classmethod
    def load(cls, workshop: Workshop, weighed_by: Guide, today: date) -> "_Asked":
        first = Job.of(workshop).aggregate(first=Min("opened_on"))["first"]
        months = min(
            (today - first).days / DAYS_A_MONTH if first else 0.0, weighed_by.look_back_months
        )
        found = cls(max(0.0, months))
        since = months_on(today, -int(weighed_by.look_back_months))
        quiet = months_on(today, -int(weighed_by.quiet_months))
        rows = Need.of(workshop).filter(
            mistaken=False, job__opened_on__gt=since, job__opened_on__lte=today
        )
        counted = rows.order_by().values_list("kind_id", "job__appliance_id")
        for kind, appliance, asked, lately in counted.annotate(
            asked=Count("id"), lately=Count("id", filter=Q(job__opened_on__gt=quiet))
        ):
            found.long[kind, appliance] += asked
            found.lately[kind, appliance] += lately
        return found

    def since(self, kind: str, appliance: str, counts: Counter[tuple[str, str]]) -> int:
        """Return the requests; a part without a machine may serve any appliance."""
        if appliance:
            return counts[kind, appliance]
        return sum(count for (slug, _), count in counts.items() if slug == kind)


# Worst grade first, then the longest on the shelf. What may serve a waiting job comes last, and
# what is promised is not among them.
_RANKED = """
WITH asked(place, kind, appliance, surplus) AS (VALUES %s)
SELECT id, place FROM (
  SELECT part.id, asked.place, asked.surplus, ROW_NUMBER() OVER (
    PARTITION BY asked.place ORDER BY
      CASE WHEN part.id IN {wanted} THEN 1 ELSE 0 END,
      CASE part.grade WHEN 'tested-good' THEN 2 WHEN 'tested-worn' THEN 1 ELSE 0 END,
      COALESCE(part.removed_on, '1900-01-01'), part.id
  ) AS rank
  FROM asked JOIN parts_part AS part
    ON part.kind_id = asked.kind AND part.workshop_id = {w}
  LEFT JOIN donors_donor AS donor ON donor.id = part.donor_id
  WHERE part.state IN ('removed', 'shelved') AND part.grade <> 'scrap'
    AND COALESCE(donor.appliance_id, '') = asked.appliance AND part.id NOT IN {held}
) AS ranked WHERE rank <= surplus ORDER BY place, rank LIMIT %s OFFSET %s
"""


class LetGoRows:
    """The parts that may go, a slice at a time: for a paginator. Graded scrap comes last."""

    def __init__(self, workshop: Workshop, found: Shelf) -> None:
        self.workshop, self.found = workshop, found

    def __len__(self) -> int:
        return self.found.to_let_go

    def __getitem__(self, wanted: slice) -> list[LetGo]:
        start, stop = wanted.start or 0, len(self) if wanted.stop is None else wanted.stop
        good = len(self) - self.found.scrap
        over = self._over(start, min(stop, good) - start) if start < good else []
        scrap = self._scrap_ids(max(0, start - good), stop - good) if stop > good else []
        return self._shown(over, scrap)

    def _scrap_ids(self, start: int, stop: int) -> list[int]:
        rows = Part.of(self.workshop).filter(state__in=ON_SHELF, grade=Grade.SCRAP)
        return list(rows.order_by("id").values_list("id", flat=True)[start:stop])

    def _over(self, start: int, count: int) -> list[tuple[int, Group]]:
        """Return so many parts and their groups; only groups of this page are looked up."""
        passed, wanted = 0, []
        for group in self.found.surplus:
            end = passed + group.advice.surplus
            if end > start and passed < start + count:
                wanted.append((passed, group))
            passed = end
        if not wanted or count <= 0:
            return []
        values = [
            (place, one.kind, one.appliance, one.advice.surplus)
            for place, (_, one) in enumerate(wanted)
        ]
        text = _RANKED.format(w=self.workshop.pk, **_marks(self.workshop))
        found = sql.rows(text, values, count, start - wanted[0][0])
        return [(pk, wanted[place][1]) for pk, place in found]

    def _shown(self, over: Sequence[tuple[int, Group]], scrap: Sequence[int]) -> list[LetGo]:
        ids = [*(pk for pk, _ in over), *scrap]
        rows = Part.of(self.workshop).filter(pk__in=ids).select_related("kind", "donor__appliance")
        parts = {part.pk: part for part in rows}
        doubts = sisters.warnings_of(self.workshop.pk, ids)
        shown = [
            self._one(parts[pk], group, in_doubt=pk in doubts) for pk, group in over if pk in parts
        ]
        scrapped = (parts[pk] for pk in scrap if pk in parts)
        return shown + [LetGo(part, (SCRAP,), None, part.pk in doubts) for part in scrapped]

    def _one(self, part: Part, group: Group, *, in_doubt: bool) -> LetGo:
        standing, weighed_by = group.standing, self.found.guide
        cents = part.price_cents
        price = standing.price if cents is None else cents / 100
        value = shared_value(standing, weighed_by, price=price, among=standing.count)
        return LetGo(part, tuple(reasons(group, weighed_by)), value, in_doubt)


def reasons(group: Group, weighed_by: Guide) -> list[str]:
    """Return why a group has more than enough: a sentence for each rule that says so."""
    one, advice = group.standing, group.advice
    promised = f" and {group.held} promised to jobs" if group.held else ""
    here = f"{one.count} here{promised}"
    said = []
    if advice.demand < one.count:
        months = f"{one.months:.0f}" if one.months >= 1 else "under 1"
        said.append(
            f"{here}; for {weighed_by.ahead_months:g} months {advice.demand} "
            f"{'is' if advice.demand == 1 else 'are'} enough: asked for {_times(one.asked)} "
            f"in {months} months"
        )
    if advice.worth is not None and advice.worth < one.count:
        said.append(
            f"{here}; a place costs {weighed_by.shelf_per_year:g} a year, which pays for "
            f"{advice.worth} of them at {one.price:.2f}"
        )
    if advice.unasked is not None and advice.unasked < one.count:
        said.append(
            f"{here} and no request in {weighed_by.quiet_months:g} months: above "
            f"{advice.unasked}, scrap the worst grade (common practice)"
        )
    return said


def _times(count: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")
