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
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Exists, F, Max, OuterRef, QuerySet

from donors import events as donor_events
from matching import events, services
from matching.models import Alert, Job, Match
from parts import events as part_events
from parts.models import AVAILABLE, Part
from workshop import outbox, sql
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
    needs = _unsearched(of)
    arrived, untold = list(_untold_arrivals(new, of)), list(_untold_needs(since, of))
    found: dict[int, Overlooked] = defaultdict(Overlooked)
    if not (parts or needs or arrived or untold):
        return found
    named = _named(since)
    for workshop_id, pk, donor in parts:
        if pk not in named.parts and (donor is None or donor not in named.donors):
            found[workshop_id].parts.append(pk)
    for workshop_id, pk in needs:
        if pk not in named.needs:
            found[workshop_id].needs.append(pk)
    asked_for = {(workshop_id, pk) for workshop_id, one in found.items() for pk in one.parts}
    for pair in _to_tell(arrived, untold, named.searched):
        if named.leaves(pair) and (pair.workshop, pair.part) not in asked_for:
            found[pair.workshop].pairs.append((pair.need, pair.part))
    return {workshop_id: one for workshop_id, one in found.items() if len(one)}


def _to_tell(
    arrived: "Iterable[_Pair]", untold: "Iterable[_Pair]", searched: Mapping[int, datetime]
) -> "Iterable[_Pair]":
    """Return the pairs somebody should have been told of.

    Of what was there when a need was last searched for, its best part alone is told of, and only
    if it is news: nothing is missing where somebody was told of any.
    """
    best: dict[int, _Pair] = {pair.need: pair for pair in untold}
    yield from best.values()
    for pair in arrived:
        asked = searched.get(pair.need)
        if asked is None or asked < pair.came_in:
            if best.get(pair.need) != pair:
                yield pair
        elif not pair.told and pair.need not in best:
            best[pair.need] = pair
            yield pair


def _since(now: datetime) -> datetime:
    swept = SweepPulse.objects.filter(id=1).values_list("ended_at", flat=True).first()
    return max(min(now, swept or now) - LOOK_BACK, now - AT_MOST)


def _newest(model: Any, most: int, since: datetime) -> "QuerySet[Any]":
    """Return the rows written since then, by the order of their ids: dates have no index."""
    every = model.objects.unscoped()
    last = every.aggregate(last=Max("pk"))["last"] or 0
    return every.filter(pk__gt=last - most, recorded_at__gte=since)


def _new_parts(since: datetime) -> "QuerySet[Part]":
    return _newest(Part, MOST_PARTS, since).filter(state__in=AVAILABLE)


def _worth_telling(of: dict[str, int]) -> "QuerySet[Match]":
    rows = Match.objects.unscoped().filter(
        need__state="open", need__job__state="open", part__state__in=AVAILABLE, **of
    )
    return rows.filter(p_good__gt=0, p_fit__gte=F("workshop__alert_from_p_fit"))


@dataclass(frozen=True, slots=True)
class _Pair:
    """A stored match. came_in: the part. told: somebody was told of some part for the need."""

    workshop: int
    need: int
    part: int
    donor: int | None
    came_in: datetime = field(compare=False)
    told: bool = field(compare=False)


def _pairs(rows: "QuerySet[Match]") -> Iterable[_Pair]:
    """Return pairs, the best of each need first."""
    told = Alert.objects.unscoped().filter(news="found", need=OuterRef("need"))
    rows = rows.annotate(told=Exists(told)).order_by("need_id", "-worth", "part_id")
    columns = ("workshop_id", "need_id", "part_id", "part__donor_id", "part__recorded_at", "told")
    return (_Pair(*row) for row in rows.values_list(*columns))


def _untold_arrivals(new: "QuerySet[Part]", of: dict[str, int]) -> Iterable[_Pair]:
    """Return where what came in after the job may serve it, and nobody was told of it."""
    told = Alert.objects.unscoped().filter(
        news="found", need=OuterRef("need"), arrival=OuterRef("part__arrival")
    )
    rows = _worth_telling(of).filter(
        part__in=new, need__job__recorded_at__lt=F("part__recorded_at")
    )
    return _pairs(rows.exclude(Exists(told)))


def _untold_needs(since: datetime, of: dict[str, int]) -> Iterable[_Pair]:
    """Return each need of a new job nobody was told of any part for, with its best part."""
    rows = _worth_telling(of).filter(need__job__in=_newest(Job, MOST_JOBS, since))
    best: dict[int, _Pair] = {}
    for pair in _pairs(rows):
        if not pair.told:
            best.setdefault(pair.need, pair)
    return best.values()


def _unsearched(of: dict[str, int]) -> list[tuple[int, int]]:
    """Return workshop and id of the needs never searched for.

    Written out, so that SQLite sees that its index holds them all (need_unsearched).
    """
    text = """
        SELECT need.workshop_id, need.id
        FROM matching_need AS need CROSS JOIN matching_job AS job
        WHERE need.state = 'open' AND need.searched_at IS NULL
        AND job.id = need.job_id AND job.state = 'open'
    """
    if of:
        return [(w, pk) for w, pk in sql.rows(f"{text} AND need.workshop_id = %s", of["workshop"])]
    return [(w, pk) for w, pk in sql.rows(text)]


@dataclass
class _Named:
    """What events speak of that are open, given up on, or were done lately.

    searched: when a need was last asked to be searched for. waiting: parts, donors and pairs
    that are still to be matched or were given up on. far: workshops where weak keys are still
    to be looked up, nobody knows for which pairs.
    """

    donors: set[int] = field(default_factory=set)
    parts: set[int] = field(default_factory=set)
    needs: set[int] = field(default_factory=set)
    pairs: set[Ids] = field(default_factory=set)
    searched: dict[int, datetime] = field(default_factory=dict)
    waiting_donors: set[int] = field(default_factory=set)
    waiting_parts: set[int] = field(default_factory=set)
    far: set[int] = field(default_factory=set)

    def leaves(self, pair: _Pair) -> bool:
        """Return whether no event tells of a pair, or will."""
        return not (
            (pair.need, pair.part) in self.pairs
            or pair.part in self.waiting_parts
            or pair.donor in self.waiting_donors
            or pair.need in self.needs
            or pair.workshop in self.far
        )


ARRIVALS = (donor_events.DONOR_RECEIVED, part_events.PARTS_ARRIVED)
SEARCHES = (events.NEEDS_OPENED, events.NEEDS_REMATCH)


def _named(since: datetime) -> _Named:
    """Return what is named in all workshops: ids are nobody else's."""
    named = _Named()
    for kind, workshop_id, payload, at, done, dead in _events(since):
        pairs = {(need, part) for need, part in payload.get("pairs", ())}
        if kind in ARRIVALS:
            donors, parts = {payload.get("donor_id")} - {None}, set(payload.get("part_ids", ()))
            named.donors |= donors
            named.parts |= parts
            if done is None:
                named.waiting_donors |= donors
                named.waiting_parts |= parts
        elif kind in SEARCHES:
            needs = payload["need_ids"]
            named.searched |= {pk: max(at, named.searched.get(pk, at)) for pk in needs}
            # One that was done and left a need unsearched did not do it.
            if done is None and kind == events.NEEDS_OPENED:
                named.needs.update(needs)
        elif kind == events.FAR_LEFT and dead is None:
            named.far.add(workshop_id)
        named.pairs |= pairs
    return named


def _events(since: datetime) -> "QuerySet[OutboxEvent, tuple[Any, ...]]":
    """Return the events that matter, in three queries of one: each has an index of its own."""
    rows = OutboxEvent.objects.unscoped().order_by()
    always = (*ARRIVALS, *SEARCHES, events.PAIRS_OVERLOOKED)
    left = rows.filter(kind__in=(*always, events.PAIRS_FOUND, events.FAR_LEFT))
    columns = ("kind", "workshop_id", "payload", "recorded_at", "done_at", "dead_at")
    waiting = left.filter(done_at__isnull=True, dead_at__isnull=True).values_list(*columns)
    failed = left.filter(dead_at__isnull=False).values_list(*columns)
    done = rows.filter(kind__in=always, done_at__gte=since - CLOCKS_OFF).values_list(*columns)
    return waiting.union(failed, done, all=True)
