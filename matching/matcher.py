"""Store matches and tell people of new ones. Runs in the dispatcher's transaction only.

The row of a workshop is locked while one of its events is handled (dispatcher.py), so two
handlers never write scores of the same pair, and what is read here is committed.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone

from matching import gather, holds
from matching.domain.sides import Row
from matching.models import Alert, Job, Match, Need
from matching.searching import Offered, Searcher, preference
from parts.models import AVAILABLE, Part
from parts.selectors import list_by_ids
from workshop.models import Member, Role, Workshop

KEPT_PER_NEED = 40


@dataclass(frozen=True, slots=True)
class Pair:
    """A need and a part offered to it."""

    need: Need
    offered: Offered


def open_needs(workshop_id: int, **which: object) -> list[Need]:
    """Return open needs of open jobs with what the engine reads, oldest first."""
    rows = Need.of(workshop_id).filter(state=Need.State.OPEN, job__state=Job.State.OPEN, **which)
    return list(rows.select_related("job__make", "job__technician", "kind").order_by("id"))


class Tell(Enum):
    """Whom a round of matching tells. Nobody is ever told twice of one arrival and need."""

    EACH_ARRIVAL = "every need an arrival may serve"
    EACH_ARRIVAL_IF_NEWS = "every need it may serve and was not offered to before"
    BEST_IF_NEWS = "a need's best part, when it was not offered before"


def match_parts(workshop_id: int, part_ids: Iterable[int], *, now: datetime, arrived: bool) -> None:
    """Match parts that arrived or changed against every open need of their kinds.

    arrived: they have just come in. Then every waiting need is told, even where a search for
    that need came first and stored the match without telling of it.
    """
    parts = list(list_by_ids(workshop_id, part_ids))
    gone = [part.pk for part in parts if part.state not in AVAILABLE or part.grade == "scrap"]
    there = [part for part in parts if part.pk not in set(gone)]
    by_kind: dict[str, list[Part]] = defaultdict(list)
    for part in there:
        by_kind[part.kind_id].append(part)
    searcher = Searcher(workshop_id, on=timezone.localdate(now))
    pairs = []
    needs = open_needs(workshop_id, kind__in=list(by_kind))
    searcher.prepare(need.kind_id for need in needs)
    for need in needs:
        want = gather.want_of(need)
        fitting = [p for p in by_kind[need.kind_id] if _may_serve(p, need)]
        pairs += [Pair(need, one) for one in searcher.search(need.kind_id, want, fitting)]
    tell = Tell.EACH_ARRIVAL if arrived else Tell.EACH_ARRIVAL_IF_NEWS
    _store(workshop_id, pairs, now=now, stale={"part__in": [p.pk for p in there]}, tell=tell)
    Match.of(workshop_id).filter(part__in=gone).delete()
    holds.end_for_gone_parts(workshop_id=workshop_id, part_ids=gone, now=now)


def match_needs(workshop_id: int, need_ids: Iterable[int], *, now: datetime) -> None:
    """Match needs against all stock. Only the best part of each is told of, if it is news."""
    needs = open_needs(workshop_id, pk__in=list(need_ids))
    searcher = Searcher(workshop_id, on=timezone.localdate(now))
    searcher.prepare(need.kind_id for need in needs)
    pairs = []
    for need in needs:
        found = searcher.search(need.kind_id, gather.want_of(need))
        pairs += [Pair(need, one) for one in found[:KEPT_PER_NEED]]
    ids = [need.pk for need in needs]
    _store(workshop_id, pairs, now=now, stale={"need__in": ids}, tell=Tell.BEST_IF_NEWS)
    Need.of(workshop_id).filter(pk__in=ids).update(searched_at=now)


def _may_serve(part: Part, need: Need) -> bool:
    return part.donor is None or part.donor.appliance_id == need.job.appliance_id


def _store(
    workshop_id: int,
    pairs: list[Pair],
    *,
    now: datetime,
    stale: dict[str, list[int]],
    tell: Tell,
) -> None:
    """Write the matches, drop those no longer found, and tell of those that are new."""
    pairs = _still_wanted(workshop_id, pairs, stale.get("need__in", []))
    known = Match.of(workshop_id).filter(**stale)
    told_before = {
        (match.need_id, match.part_id): match.p_fit
        for match in known.only("need_id", "part_id", "p_fit")
    }
    found = {(pair.need.pk, pair.offered.part.pk) for pair in pairs}
    lost = [match.pk for match in known if (match.need_id, match.part_id) not in found]
    Match.of(workshop_id).filter(pk__in=lost).delete()
    Match.objects.bulk_create(
        [_match(workshop_id, pair, now) for pair in pairs],
        update_conflicts=True,
        unique_fields=["need", "part"],
        update_fields=[
            "verdict",
            "score_bits",
            "p_fit",
            "p_good",
            "worth",
            "reasons",
            "scored_at",
        ],
        batch_size=200,
    )
    _tell(workshop_id, pairs, told_before, now=now, tell=tell)


def _still_wanted(workshop_id: int, pairs: list[Pair], need_ids: list[int]) -> list[Pair]:
    """Lock the parts, then the needs (these and the pairs'), and drop pairs that are void.

    A part may have been sold, or a need closed, since the pairs were read (see holds.py).
    """
    part_ids = {pair.offered.part.pk for pair in pairs}
    parts = _locked(Part.of(workshop_id).filter(pk__in=part_ids, state__in=AVAILABLE))
    rows = Need.of(workshop_id).filter(pk__in={*need_ids, *(pair.need.pk for pair in pairs)})
    needs = _locked(rows.filter(state=Need.State.OPEN))
    return [pair for pair in pairs if pair.offered.part.pk in parts and pair.need.pk in needs]


def _locked(rows: QuerySet[Any]) -> set[int]:
    """Lock rows in the order of their ids and return the ids."""
    locked = rows.select_for_update(no_key=True).order_by("id")
    return set(locked.values_list("id", flat=True))


def _match(workshop_id: int, pair: Pair, now: datetime) -> Match:
    one = pair.offered
    return Match(
        workshop_id=workshop_id,
        need=pair.need,
        part=one.part,
        verdict=one.score.verdict,
        score_bits=one.score.bits,
        p_fit=one.score.p_fit,
        p_good=one.condition.p_good,
        worth=one.worth,
        reasons=reasons(one),
        scored_at=now,
    )


def reasons(one: Offered) -> list[dict[str, object]]:
    """Return the rows of an explanation as stored and sent: the score's, then the condition."""
    rows = [row.as_dict() for row in one.score.rows]
    condition = Row("condition", "", 0.0, "", "", one.condition.because)
    return [*rows, {**condition.as_dict(), "p_good": one.condition.p_good}]


def _tell(
    workshop_id: int,
    pairs: list[Pair],
    told_before: dict[tuple[int, int], float],
    *,
    now: datetime,
    tell: Tell,
) -> None:
    """Write an inbox row for each (recipient, arrival, need) that is new.

    An arrival brings several parts that may serve one need: the best of them is told.
    The unique constraint makes a repeat impossible, however often an event is handled.
    """
    least = Workshop.objects.get(pk=workshop_id).alert_from_p_fit
    best: dict[tuple[int, object], Pair] = {}
    for pair in sorted(pairs, key=lambda pair: preference(pair.offered)):
        one = pair.offered
        if one.score.p_fit >= least and one.condition.p_good > 0:
            arrival = None if tell is Tell.BEST_IF_NEWS else one.part.arrival
            best.setdefault((pair.need.pk, arrival), pair)
    news = [
        pair
        for pair in best.values()
        if tell is Tell.EACH_ARRIVAL or _known_p(pair, told_before) < least
    ]
    if not news:
        return
    recipients = _technicians(workshop_id)
    alerts = [_alert(member, pair, now) for pair in news for member in _told(pair, recipients)]
    Alert.objects.bulk_create(alerts, ignore_conflicts=True, batch_size=200)


def _told(pair: Pair, recipients: list[Member]) -> list[Member]:
    """Return who is told: the job's technician while they are active, else the recipients."""
    own = pair.need.job.technician
    return [own] if own is not None and own.active else recipients


def _known_p(pair: Pair, told_before: dict[tuple[int, int], float]) -> float:
    """Return P(fit) of a pair as it was stored before; 0 when it was not."""
    return told_before.get((pair.need.pk, pair.offered.part.pk), 0.0)


def _technicians(workshop_id: int) -> list[Member]:
    """Return who is told of a job nobody has taken: the technicians, else every member."""
    members = list(Member.of(workshop_id).filter(active=True).order_by("id"))
    technicians = [member for member in members if member.role == Role.TECHNICIAN]
    return technicians or members


def _alert(member: Member, pair: Pair, now: datetime) -> Alert:
    one = pair.offered
    return Alert(
        workshop_id=pair.need.workshop_id,
        recipient=member,
        arrival=one.part.arrival,
        need=pair.need,
        part=one.part,
        summary=_summary(pair),
        verdict=one.score.verdict,
        p_fit=one.score.p_fit,
        p_good=one.condition.p_good,
        reasons=reasons(one),
        told_at=now,
    )


def _summary(pair: Pair) -> str:
    """Return the line a technician reads: which part, where it is, for which job."""
    one, need = pair.offered, pair.need
    place = f"donor {one.part.donor.ref}" if one.part.donor else "stock"
    if one.part.state == Part.State.IN_MACHINE:
        where = f"in {place}, not stripped yet"
    else:
        where = f"from {place}, {'bin ' + one.part.bin if one.part.bin else 'no bin yet'}"
    kind = need.kind.name + (f" ({need.position})" if need.position else "")
    return f"{need.job.ref}: {kind} {where} - {one.score.verdict.label}"[:300]
