"""What slipped past the outbox: looked for by the sweep, beside the events, and then done.

Three things are held against what must follow from them: parts that came in (an event names
them), open needs (searched for, or an event names them), and stored pairs worth telling of
(somebody was told). What is found gets an event like any other; the inbox refuses what was told
before, so looking once too often does no harm.

Looked at is what came in since an hour before the last sweep, the newest `MOST_PARTS` parts and
`MOST_JOBS` jobs of it; of needs all. That one of several people was told and another not is not
seen: who was to be told at the time is on record nowhere but in the alerts.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Exists, F, Max, OuterRef, Q, QuerySet

from donors import events as donor_events
from matching import events, services
from matching.models import Alert, Job, Match, Need
from parts import events as part_events
from parts.models import AVAILABLE, Part
from workshop import outbox
from workshop.models import OutboxEvent, SweepPulse, Workshop

LOOK_BACK = timedelta(hours=1)
AT_MOST = timedelta(hours=23)  # events are kept for a day at least (KEEP_EVENTS_DAYS)
CLOCKS_OFF = timedelta(hours=2)  # an event may have been closed by a clock that is behind
MOST_PARTS, MOST_JOBS = 50_000, 20_000
Ids = tuple[int, int]  # need, part


@dataclass
class Overlooked:
    """What one workshop is owed: parts to match, needs to search for, pairs to tell of."""

    parts: list[int] = field(default_factory=list)
    needs: list[int] = field(default_factory=list)
    pairs: list[Ids] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.parts) + len(self.needs) + len(self.pairs)


def repair(now: datetime) -> int:
    """Record an event for all that was overlooked. Returns how many parts, needs and pairs."""
    # Looking first keeps an idle sweep from taking SQLite's write lock every minute.
    return sum(_repair(workshop_id, now) for workshop_id in sorted(look(now)))


@transaction.atomic
def _repair(workshop_id: int, now: datetime) -> int:
    # Asked again under the lock: another sweep may have been here.
    Workshop.objects.select_for_update(no_key=True).get(pk=workshop_id)
    found = look(now, workshop=workshop_id).get(workshop_id, Overlooked())
    owed = {"workshop_id": workshop_id}
    outbox.record_in_pages(part_events.PARTS_ARRIVED, **owed, key="part_ids", ids=found.parts)
    services.announce_needs(workshop_id, found.needs)
    outbox.record_in_pages(
        events.PAIRS_OVERLOOKED, **owed, key="pairs", ids=found.pairs, page=100, tell="EACH_ARRIVAL"
    )
    return len(found)


def look(now: datetime, **of: int) -> dict[int, Overlooked]:
    """Return what was overlooked, by workshop. Reads only. of: `workshop=`, one of them alone."""
    since = _since(now)
    # What came in is read before the events: an event is committed with what it tells of.
    new = _new_parts(since).filter(**of)
    parts = list(new.values_list("workshop_id", "pk", "donor_id"))
    rows = Need.objects.unscoped().filter(state="open", job__state="open", **of)
    needs = list(rows.filter(searched_at__isnull=True).values_list("workshop_id", "pk"))
    # A pair of a new job and a newer machine is owed for both reasons, and once.
    pairs = dict.fromkeys([*_untold_arrivals(new, of), *_untold_needs(since, of)])
    found: dict[int, Overlooked] = defaultdict(Overlooked)
    if not (parts or needs or pairs):
        return found
    named = _named(since, of)
    for workshop_id, pk, donor in parts:
        if pk not in named.parts and (donor is None or donor not in named.donors):
            found[workshop_id].parts.append(pk)
    for workshop_id, pk in needs:
        if pk not in named.needs:
            found[workshop_id].needs.append(pk)
    for workshop_id, need, part in pairs:
        if (need, part) not in named.pairs and part not in found[workshop_id].parts:
            found[workshop_id].pairs.append((need, part))
    return {workshop_id: one for workshop_id, one in found.items() if len(one)}


def _since(now: datetime) -> datetime:
    swept = SweepPulse.objects.filter(id=1).values_list("ended_at", flat=True).first()
    return max(min(now, swept or now) - LOOK_BACK, now - AT_MOST)


def _newest(model: Any, most: int, since: datetime) -> "QuerySet[Any]":
    """Return the rows written since then, by the order of their ids: dates have no index."""
    rows = model.objects.unscoped()
    last = rows.aggregate(last=Max("pk"))["last"] or 0
    return rows.filter(pk__gt=last - most, recorded_at__gte=since)


def _new_parts(since: datetime) -> "QuerySet[Part]":
    return _newest(Part, MOST_PARTS, since).filter(state__in=AVAILABLE)


def _worth_telling(of: dict[str, int]) -> "QuerySet[Match]":
    rows = Match.objects.unscoped().filter(
        need__state="open", need__job__state="open", part__state__in=AVAILABLE, **of
    )
    return rows.filter(p_good__gt=0, p_fit__gte=F("workshop__alert_from_p_fit"))


def _untold_arrivals(new: "QuerySet[Part]", of: dict[str, int]) -> Iterable[tuple[int, int, int]]:
    """Return workshop, need and part where what came in after the job may serve it, untold."""
    told = Alert.objects.unscoped().filter(
        news="found", need=OuterRef("need"), arrival=OuterRef("part__arrival")
    )
    rows = _worth_telling(of).filter(
        part__in=new, need__job__recorded_at__lt=F("part__recorded_at")
    )
    return rows.exclude(Exists(told)).values_list("workshop_id", "need_id", "part_id")


def _untold_needs(since: datetime, of: dict[str, int]) -> Iterable[tuple[int, int, int]]:
    """Return workshop, need and its best part where nobody was told of any for a new job."""
    told = Alert.objects.unscoped().filter(news="found", need=OuterRef("need"))
    rows = _worth_telling(of).filter(need__job__in=_newest(Job, MOST_JOBS, since))
    untold = rows.exclude(Exists(told)).order_by("need_id", "-worth", "part_id")
    best: dict[int, tuple[int, int, int]] = {}
    for workshop_id, need, part in untold.values_list("workshop_id", "need_id", "part_id"):
        best.setdefault(need, (workshop_id, need, part))
    return best.values()


@dataclass
class _Named:
    """What events speak of that are open, given up on, or were done lately."""

    donors: set[int] = field(default_factory=set)
    parts: set[int] = field(default_factory=set)
    needs: set[int] = field(default_factory=set)
    pairs: set[Ids] = field(default_factory=set)


def _named(since: datetime, of: dict[str, int]) -> _Named:
    named = _Named()
    rows = OutboxEvent.objects.unscoped().filter(
        Q(done_at__isnull=True) | Q(done_at__gte=since - CLOCKS_OFF), **of
    )
    arrivals = (donor_events.DONOR_RECEIVED, part_events.PARTS_ARRIVED)
    kinds = (*arrivals, events.NEEDS_OPENED, events.PAIRS_OVERLOOKED)
    for payload, done in rows.filter(kind__in=kinds).values_list("payload", "done_at"):
        named.donors.add(payload.get("donor_id", 0))
        named.parts.update(payload.get("part_ids", ()))
        named.pairs.update((need, part) for need, part in payload.get("pairs", ()))
        if done is None:  # one that was done and left a need unsearched did not do it
            named.needs.update(payload.get("need_ids", ()))
    return named
