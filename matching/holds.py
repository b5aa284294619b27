"""Holds: a promise of one part to one need. The database lets one stand per part.

Rows are locked in one order everywhere: part, job, need, hold. Whoever needs only some of
them keeps to that order.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.utils import timezone

from matching import events, gather, standing_proposals
from matching.models import Hold, Job, Match, Need
from matching.searching import Searcher
from parts import services as part_services
from parts.models import Part
from parts.reuse import why_never
from workshop import outbox
from workshop.errors import Conflict, NotFound
from workshop.models import Member, Workshop


@transaction.atomic
def hold_part(
    *,
    workshop: Workshop,
    part_ref: str,
    need_id: int,
    member: Member,
    now: datetime,
    note: str = "",
) -> Hold:
    """Hold a part for a need until the workshop's usual days are over.

    A note says why this job goes before one the part is proposed to. Raises Conflict naming who
    holds it already, whom it is proposed to when no note is given, or why it cannot be held.
    """
    part = part_services.lock_part(workshop, part_ref)
    need = _open_need(workshop, need_id)
    _refuse_unfit(part, need)
    _lapse(Hold.objects.unscoped().filter(part=part, expires_at__lte=now), now)
    standing = standing_hold(part)
    if standing is not None:
        if standing.need_id == need.pk:
            return standing
        raise _held_already(part, standing)
    _refuse_proposed(part, need, note, now)
    _refuse_stopped(part, need, now)
    try:
        with transaction.atomic():
            hold = Hold.objects.create(
                workshop=workshop,
                part=part,
                need=need,
                held_by=member,
                held_at=now,
                expires_at=now + timedelta(days=workshop.hold_days),
                note=note,
            )
    except IntegrityError:
        raise _held_already(part, standing_hold(part)) from None
    outbox.record(events.HOLD_MADE, workshop_id=workshop.pk, payload={"hold": hold.pk})
    standing_proposals.settle_for_hold(part, need, member=member, now=now, note=note)
    standing_proposals.touch(workshop.pk)
    return hold


def standing_hold(part: Part) -> Hold | None:
    """Return the hold that stands on a part, with who and for which job."""
    rows = Hold.of(part.workshop_id).filter(part=part, released_at__isnull=True)
    found: Hold | None = rows.select_related("held_by__user", "need__job").first()
    return found


def _held_already(part: Part, hold: Hold | None) -> Conflict:
    if hold is None:
        return Conflict(f"Part {part.ref} was held by someone else just now. Look again.")
    return Conflict(
        f"Part {part.ref} is held for job {hold.need.job.ref} by {hold.held_by} until "
        f"{hold.expires_at:%Y-%m-%d %H:%M}. Ask them to release it, or choose another part."
    )


def _refuse_proposed(part: Part, need: Need, note: str, now: datetime) -> None:
    proposal = standing_proposals.standing_for(part, now=now)
    if proposal is not None and proposal.need_id != need.pk and not note.strip():
        raise Conflict(
            f"Part {part.ref} is proposed to job {proposal.need.job.ref} until "
            f"{proposal.expires_at:%Y-%m-%d %H:%M}. Say in a note why job {need.job.ref} goes "
            "first, or choose another part.",
            fields={"note": "Say why this job goes first."},
        )


def _open_need(workshop: Workshop, need_id: int) -> Need:
    """Return the need locked for writing. Raises NotFound, or Conflict when it is not open."""
    rows = Need.of(workshop).select_for_update(of=("self",))
    need = rows.select_related("job__make", "kind").filter(pk=need_id).first()
    if need is None:
        raise NotFound("There is no such need in this workshop.")
    if need.state != Need.State.OPEN:
        raise Conflict(
            f"Job {need.job.ref} no longer needs its {need.kind.name.lower()}: "
            f"it is {need.get_state_display()}."
        )
    found: Need = need
    return found


def _refuse_unfit(part: Part, need: Need) -> None:
    part_services.refuse_if_gone(part)
    if part.kind_id != need.kind_id:
        raise Conflict(
            f"Part {part.ref} is a {part.kind.name.lower()}; job {need.job.ref} needs a "
            f"{need.kind.name.lower()}."
        )
    if why_never(part):
        raise Conflict(f"Part {part.ref} cannot be held. {why_never(part)}")
    if part.grade == "scrap":
        raise Conflict(f"Part {part.ref} is graded scrap and cannot be held.")


def _refuse_stopped(part: Part, need: Need, now: datetime) -> None:
    """Raise Conflict with the reason when something says this part must not be fitted here."""
    searcher = Searcher(need.workshop_id, on=timezone.localdate(now))
    score = searcher.offer(part, gather.want_of(need)).score
    if score.stopped:
        raise Conflict(
            f"Part {part.ref} cannot be held for job {need.job.ref}. {score.rows[-1].sentence}"
        )


@transaction.atomic
def release_hold(*, workshop: Workshop, hold_id: int, now: datetime) -> Hold:
    """End a hold by hand. Raises NotFound, or Conflict when it has ended already."""
    hold = get_hold_locked(workshop, hold_id)
    _end([hold], Hold.Ended.RELEASED, now)
    _announce_ended({hold.pk: workshop.pk})
    standing_proposals.touch(workshop.pk)
    return hold


def get_hold_locked(workshop: Workshop, hold_id: int) -> Hold:
    """Return a standing hold locked for writing. Raises NotFound or Conflict."""
    return _standing(Hold.of(workshop).select_for_update(of=("self",)), hold_id)


def get_hold_to_fit(workshop: Workshop, hold_id: int) -> Hold:
    """Return a standing hold, locked after its part, job and need.

    Raises NotFound, or Conflict when the hold has ended or the part is gone.
    """
    seen = _standing(Hold.of(workshop).all(), hold_id)
    part_services.refuse_if_gone(part_services.lock_part(workshop, seen.part.ref))
    Job.of(workshop).select_for_update().get(pk=seen.need.job_id)
    Need.of(workshop).select_for_update().get(pk=seen.need_id)
    return get_hold_locked(workshop, hold_id)


def _standing(rows: QuerySet[Hold], hold_id: int) -> Hold:
    hold = (
        rows.select_related("part__donor__make", "part__kind", "need__job__make")
        .filter(pk=hold_id)
        .first()
    )
    if hold is None:
        raise NotFound("There is no such hold in this workshop.")
    if hold.released_at is not None:
        raise Conflict(
            f"The hold on {hold.part.ref} has ended already ({hold.get_ended_display()})."
        )
    found: Hold = hold
    return found


def end_as_fitted(hold: Hold, now: datetime) -> None:
    _end([hold], Hold.Ended.FITTED, now)


def _end(rows: Iterable[Hold], how: Hold.Ended, now: datetime) -> None:
    for hold in rows:
        hold.released_at, hold.ended = now, how
        hold.save(update_fields=["released_at", "ended"])


def release_for_needs(*, workshop_id: int, need_ids: Iterable[int], now: object) -> int:
    """End every standing hold and proposal for these needs. Returns how many holds."""
    ids = list(need_ids)
    rows = Hold.of(workshop_id).filter(need__in=ids)
    ended = _end_all(rows, Hold.Ended.RELEASED, now)
    standing_proposals.withdraw_for_needs(workshop_id=workshop_id, need_ids=ids, now=now)
    standing_proposals.touch(workshop_id)
    return ended


def end_for_gone_parts(*, workshop_id: int, part_ids: Iterable[int], now: datetime) -> int:
    """End standing holds and proposals of parts that failed, were sold or scrapped.

    Returns how many holds.
    """
    ids = list(part_ids)
    ended = _end_all(Hold.of(workshop_id).filter(part__in=ids), Hold.Ended.GONE, now)
    freed = standing_proposals.withdraw_for_parts(workshop_id=workshop_id, part_ids=ids, now=now)
    if ended or freed:
        standing_proposals.touch(workshop_id)
    return ended


def lapse_holds(*, now: datetime) -> int:
    """End holds whose time is over, in every workshop (the sweep). Returns how many."""
    over = Hold.objects.unscoped().filter(expires_at__lte=now)
    standing = over.filter(released_at__isnull=True)
    with transaction.atomic():
        for workshop_id in sorted(set(standing.values_list("workshop_id", flat=True))):
            standing_proposals.touch(workshop_id)
        return _lapse(over, now)


def _lapse(rows: QuerySet[Hold], now: datetime) -> int:
    return _end_all(rows, Hold.Ended.LAPSED, now)


@transaction.atomic
def _end_all(rows: QuerySet[Hold], how: Hold.Ended, now: object) -> int:
    """End those that stand, locked in the order of their ids. Returns how many."""
    standing = rows.filter(released_at__isnull=True).select_for_update().order_by("id")
    whose = dict(standing.values_list("id", "workshop_id"))
    if how in (Hold.Ended.RELEASED, Hold.Ended.LAPSED):
        _announce_ended(whose)
    ended = Hold.objects.unscoped().filter(pk__in=list(whose))
    return int(ended.update(released_at=now, ended=how))


def _announce_ended(whose: Mapping[int, int]) -> None:
    """Record which holds ended with their parts still there. whose: workshop by hold."""
    for workshop_id in sorted(set(whose.values())):
        ids = sorted(pk for pk, owner in whose.items() if owner == workshop_id)
        outbox.record_in_pages(events.HOLDS_ENDED, workshop_id=workshop_id, key="holds", ids=ids)


def forget(workshop_id: int, need_ids: Iterable[int]) -> None:
    """Drop the matches of needs that are filled or withdrawn."""
    Match.of(workshop_id).filter(need__in=list(need_ids)).delete()
