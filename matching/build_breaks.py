"""Build breaks: sought in the sweep, proposed to a reviewer, accepted, rejected, retired.

Seeking reads all sightings of a kind, so it never happens in a request nor in the handling of
an arrival: what changes the sightings leaves a note (BreakSearch) that the sweep works off.
"""

import logging
from collections.abc import Iterable
from datetime import datetime

from django.db import transaction
from django.db.models import QuerySet

from matching import deciding, events, gather
from matching.domain.break_seeking import FoundBreak, seek
from matching.domain.breaks import Search
from matching.models import BreakSearch, BuildBreak
from parts.numbers import interchange_graph
from parts.reference import kinds
from workshop import outbox
from workshop.errors import NotFound
from workshop.models import Member, Workshop

log = logging.getLogger(__name__)

MOST_A_SWEEP = 5
GROWN = 1.5  # a break turned down is proposed again with half again as many sightings


def ask_for_search(*, workshop_id: int, kinds: Iterable[str], now: datetime) -> None:
    """Note that these kinds are to be searched for breaks by the next sweep."""
    rows = [
        BreakSearch(workshop_id=workshop_id, kind_id=kind, asked_at=now)
        for kind in sorted(set(kinds))
    ]
    BreakSearch.objects.bulk_create(
        rows,
        update_conflicts=True,
        unique_fields=["workshop", "kind"],
        update_fields=["asked_at"],
    )


def search_what_changed(now: datetime) -> int:
    """Search the kinds asked for longest, of every workshop, a few a sweep.

    Returns how many proposals were written. The sweep shares its thread with the alerts, so an
    import that touches every kind is worked off over several; what fails goes to the end.
    """
    due = BreakSearch.objects.unscoped().order_by("asked_at", "id")
    return sum(_search_or_postpone(row, now=now) for row in due[:MOST_A_SWEEP])


def _search_or_postpone(row: BreakSearch, *, now: datetime) -> int:
    try:
        return _search_one(row, now=now)
    except Exception:  # one kind that cannot be searched must not keep the others waiting
        log.exception("breaks of %s in workshop %s not searched", row.kind_id, row.workshop_id)
        BreakSearch.of(row.workshop_id).filter(pk=row.pk).update(asked_at=now)
        return 0


def _search_one(row: BreakSearch, *, now: datetime) -> int:
    found = find(row.workshop_id, row.kind_id)
    with transaction.atomic():
        _lock(row.workshop_id)
        # A note renewed meanwhile stays: what came in after the reading is searched next time.
        rows = BreakSearch.of(row.workshop_id).filter(pk=row.pk, asked_at=row.asked_at)
        if not rows.delete()[0]:
            return 0
        return propose(row.workshop_id, row.kind_id, found, now=now)


def _lock(workshop_id: int) -> None:
    """Let one writer of a workshop's breaks in at a time, as the dispatcher does."""
    Workshop.objects.select_for_update(no_key=True).get(id=workshop_id)


def find(workshop_id: int, kind: str) -> list[FoundBreak]:
    """Return the breaks that the sightings of a kind tell of now. Reads only."""
    graph = interchange_graph(workshop_id, kind)
    search = Search.of(gather.weights().table["breaks"])
    return seek(gather.all_seen(workshop_id, kind), kinds()[kind], graph, search)


def propose(workshop_id: int, kind: str, found: Iterable[FoundBreak], *, now: datetime) -> int:
    """Store what was found as proposals. Returns how many are new or say something else.

    A standing proposal is brought up to date, or taken back when nothing tells of it any more.
    An accepted break stays as it was accepted. One that was rejected or retired comes up again
    only when half again as many sightings speak for it.
    """
    stored = list(BuildBreak.of(workshop_id).filter(kind=kind).order_by("-id"))
    kept: set[int] = set()
    news = 0
    for one in found:
        same = [row for row in stored if _same_change(row, one) and row.pk not in kept]
        standing = next((r for r in same if r.state == BuildBreak.State.PROPOSED), None)
        if any(row.state == BuildBreak.State.ACCEPTED for row in same):
            continue
        if standing is not None:
            kept.add(standing.pk)
            news += _bring_up_to_date(standing, one)
        elif all(one.found.sightings >= GROWN * row.sightings for row in same):
            _store(workshop_id, kind, one, now)
            news += 1
    gone = [r.pk for r in stored if r.state == BuildBreak.State.PROPOSED and r.pk not in kept]
    BuildBreak.of(workshop_id).filter(pk__in=gone).delete()
    return news


def _same_change(row: BuildBreak, one: FoundBreak) -> bool:
    """Return whether a stored break is the one found: same scope, and same days or numbers."""
    if row.scope() != one.scope:
        return False
    numbers = (set(row.numbers_before), set(row.numbers_after))
    same_numbers = numbers == (set(one.found.numbers_before), set(one.found.numbers_after))
    return same_numbers or row.changed().overlaps(one.found.changed)


def _values(one: FoundBreak) -> dict[str, object]:
    found = one.found
    return {
        "changed_from": found.changed.start,
        "changed_to": found.changed.end,
        "chance": round(found.chance, 6),
        "before": dict(found.before),
        "after": dict(found.after),
        "numbers_before": list(found.numbers_before),
        "numbers_after": list(found.numbers_after),
        "sightings": found.sightings,
    }


def _store(workshop_id: int, kind: str, one: FoundBreak, now: datetime) -> None:
    scope = one.scope
    BuildBreak.objects.create(
        workshop_id=workshop_id,
        kind_id=kind,
        make=scope.make,
        family=scope.family,
        revision=scope.revision,
        model=scope.model,
        proposed_at=now,
        **_values(one),
    )


def _bring_up_to_date(row: BuildBreak, one: FoundBreak) -> bool:
    values = _values(one)
    changed = [name for name, value in values.items() if getattr(row, name) != value]
    for name in changed:
        setattr(row, name, values[name])
    if changed:
        row.save(update_fields=changed)
    return bool(changed)


def list_breaks(workshop: Workshop) -> "QuerySet[BuildBreak]":
    """Return build breaks with kind and who decided: those to decide first, newest first."""
    rows = BuildBreak.of(workshop).select_related("kind", "decided_by__user")
    return rows.order_by("-id")


def get_break(workshop: Workshop, break_id: int, *, lock: bool = False) -> BuildBreak:
    """Return the break or raise NotFound; locked for writing when asked."""
    rows = BuildBreak.of(workshop)
    rows = rows.select_for_update(of=("self",)) if lock else rows
    row = rows.filter(pk=break_id).first()
    if row is None:
        raise NotFound(f"There is no build break {break_id} in this workshop.")
    found: BuildBreak = row
    return found


@transaction.atomic
def accept_break(
    *, workshop: Workshop, break_id: int, member: Member, now: datetime, note: str = ""
) -> BuildBreak:
    """Put a proposed break in force; needs of its kind are matched anew.

    Raises NotAllowed below reviewer, Conflict when it was decided already.
    """
    return _decide(workshop, break_id, BuildBreak.State.ACCEPTED, member, now, note)


@transaction.atomic
def reject_break(
    *, workshop: Workshop, break_id: int, member: Member, now: datetime, note: str = ""
) -> BuildBreak:
    """Turn a proposed break down. It is not proposed again on the same evidence."""
    return _decide(workshop, break_id, BuildBreak.State.REJECTED, member, now, note)


@transaction.atomic
def retire_break(
    *, workshop: Workshop, break_id: int, member: Member, now: datetime, note: str = ""
) -> BuildBreak:
    """Take an accepted break out of force; needs of its kind are matched anew."""
    return _decide(workshop, break_id, BuildBreak.State.RETIRED, member, now, note)


# From which state a decision is taken. Data, so that every state is looked at (test_build_breaks).
DECIDED_FROM = {
    BuildBreak.State.ACCEPTED: BuildBreak.State.PROPOSED,
    BuildBreak.State.REJECTED: BuildBreak.State.PROPOSED,
    BuildBreak.State.RETIRED: BuildBreak.State.ACCEPTED,
}


def _decide(
    workshop: Workshop,
    break_id: int,
    state: BuildBreak.State,
    member: Member,
    now: datetime,
    note: str,
) -> BuildBreak:
    deciding.require_reviewer(member, "build breaks")
    _lock(workshop.pk)
    row = get_break(workshop, break_id, lock=True)
    deciding.require_state(row, f"Build break {row.pk}", state, DECIDED_FROM)
    deciding.settle(row, state, member, now, note=note.strip())
    if state != BuildBreak.State.REJECTED:
        payload = {"kinds": [row.kind_id]}
        outbox.record(events.BREAK_DECIDED, workshop_id=workshop.pk, payload=payload)
    return row
