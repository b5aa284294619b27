"""A member's inbox by machine: what one arrival or listing may do for waiting jobs is one entry.

One machine may serve fifteen jobs, and fifteen lines would hide the next machine. Of an entry the
jobs that have nothing yet come first; those that are served anyhow (cover.py) stand behind them.
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
from matching.models import Alert
from matching.selectors import list_alerts
from workshop.models import Member

SHOWN = 12  # alerts of an entry that are read; the rest is counted
MOST_MARKED = 500  # unread alerts of an entry that one press marks

_KEY = Coalesce(
    Cast("arrival", CharField()), Cast("listing_id", CharField()), Cast("id", CharField())
)


@dataclass(frozen=True, slots=True)
class Group:
    """Alerts of one coming-in, one listing, or one alone.

    count: all of them; open, served: those read, by whether their need is served anyhow.
    """

    told_at: datetime
    count: int
    unread: int
    open: tuple[Alert, ...]
    served: tuple[Alert, ...]
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
    def jobs(self) -> int:
        return len({alert.job_id for alert in self.open + self.served})

    @property
    def more(self) -> int:
        return self.count - len(self.open) - len(self.served)

    @property
    def _first(self) -> Alert:
        return (self.open + self.served)[0]


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
        order_by=[F("read_at").asc(nulls_first=True), (F("p_fit") * F("p_good")).desc(), "id"],
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
    served = {
        one.pk
        for one in few
        if one.need_id and covered.is_served(one.need_id) and not _by(covered, one, here)
    }
    return Group(
        told_at=row["last"],
        count=row["count"],
        unread=row["new"],
        open=tuple(one for one in few if one.pk not in served),
        served=tuple(one for one in few if one.pk in served),
        unread_ids=tuple(unread),
    )


def _by(covered: cover.Cover, alert: Alert, parts: set[int | None]) -> bool:
    """Whether a part of this very entry is promised to the alert's need."""
    return any(covered.promised.get(part or 0) == alert.need_id for part in parts)
