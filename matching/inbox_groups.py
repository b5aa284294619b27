"""A member's inbox by machine: what one arrival or listing may do for waiting jobs is one entry.

One machine may serve fifteen jobs, and fifteen lines would hide the next machine. Of an entry the
offers to needs that have nothing yet come first; those that are served anyhow (cover.py), and those
whose job is closed, stand behind them. What became of a part since stands by itself.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import CharField, Count, F, Max, Q, QuerySet, Window
from django.db.models.functions import Cast, Coalesce, RowNumber

from donors.models import Donor, Listing
from matching import cover
from matching.models import Alert, Job, Need
from matching.selectors import list_alerts
from workshop.models import Member

OFFERS = (Alert.News.FOUND, Alert.News.LISTING, Alert.News.PROPOSED)
SHOWN = 12  # alerts of an entry that are read; the rest is counted
MOST_MARKED = 500  # unread alerts of an entry that one press marks

_KEY = Coalesce(
    Cast("arrival", CharField()), Cast("listing_id", CharField()), Cast("id", CharField())
)


@dataclass(frozen=True, slots=True)
class Group:
    """Alerts of one coming-in, one listing, or one alone.

    count: all of them. Of those read, open and served: offers to open needs, by whether the need
    is served anyhow; over: offers to needs or jobs that are closed; news: what became of it since.
    """

    told_at: datetime
    count: int
    unread: int
    open: tuple[Alert, ...]
    served: tuple[Alert, ...]
    over: tuple[Alert, ...]
    news: tuple[Alert, ...]
    unread_ids: tuple[UUID, ...]

    @property
    def alone(self) -> Alert | None:
        return self._first if self.count == 1 else None

    @property
    def donor(self) -> Donor | None:
        part = self._first.part
        return part.donor if part else None

    @property
    def listing(self) -> Listing | None:
        found: Listing | None = self._first.listing
        return found

    @property
    def open_needs(self) -> int:
        return len({alert.need_id for alert in self.open})

    @property
    def more(self) -> int:
        return self.count - len(self._read)

    @property
    def _first(self) -> Alert:
        return self._read[0]

    @property
    def _read(self) -> tuple[Alert, ...]:
        return self.open + self.served + self.over + self.news


def list_keys(member: Member, *, unread: bool = False) -> "QuerySet[Any, Any]":
    """Return one row for each entry, latest first: what a page is cut from."""
    rows = Alert.of(member.workshop_id).filter(recipient=member).annotate(key=_KEY).values("key")
    new = Count("id", filter=Q(read_at__isnull=True))
    rows = rows.annotate(last=Max("told_at"), count=Count("id"), new=new)
    if unread:
        rows = rows.filter(new__gt=0)
    found: QuerySet[Any, Any] = rows.order_by("-last", "key")
    return found


def read_groups(member: Member, keys: Iterable[dict[str, Any]]) -> list[Group]:
    """Return the entries of some rows of `list_keys`, in order: seven queries."""
    asked = list(keys)
    names = [row["key"] for row in asked]
    best = Window(
        RowNumber(),
        partition_by=F("key"),
        order_by=[
            F("read_at").asc(nulls_first=True),
            (F("p_fit") * F("p_good")).desc(nulls_last=True),
            "id",
        ],
    )
    rows = list_alerts(member).annotate(key=_KEY).filter(key__in=names).annotate(place=best)
    found: dict[str, list[Alert]] = defaultdict(list)
    for alert in rows.filter(place__lte=SHOWN).order_by("place"):
        found[alert.key].append(alert)
    covered = cover.of_needs(
        member.workshop_id,
        {one.need_id for few in found.values() for one in few if one.need_id},
    )
    unread = _unread(member, names)
    return [
        _group(row, found[row["key"]], covered, unread[row["key"]])
        for row in asked
        if found[row["key"]]
    ]


def _unread(member: Member, names: Sequence[str]) -> dict[str, list[UUID]]:
    rows = list_alerts(member, unread=True).annotate(key=_KEY).filter(key__in=names)
    found: dict[str, list[UUID]] = defaultdict(list)
    for key, pk in rows.values_list("key", "id"):
        if len(found[key]) < MOST_MARKED:
            found[key].append(pk)
    return found


def _group(
    row: dict[str, Any], few: Sequence[Alert], covered: cover.Cover, unread: Sequence[UUID]
) -> Group:
    here = {one.part_id for one in few}
    places: dict[str, list[Alert]] = {"open": [], "served": [], "over": [], "news": []}
    for one in few:
        places[_place(one, covered, here)].append(one)
    return Group(
        told_at=row["last"],
        count=row["count"],
        unread=row["new"],
        unread_ids=tuple(unread),
        **{name: tuple(some) for name, some in places.items()},
    )


def _place(alert: Alert, covered: cover.Cover, parts: set[int | None]) -> str:
    if alert.news not in OFFERS or alert.need is None:
        return "news"
    if alert.need.state != Need.State.OPEN or alert.job.state != Job.State.OPEN:
        return "over"
    by_this = any(covered.promised.get(part or 0) == alert.need.pk for part in parts)
    return "served" if covered.is_served(alert.need.pk) and not by_this else "open"
