"""Events given up on: what an owner sees of them, and trying them again, each time on record."""

from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet

from workshop.errors import Conflict, NotFound
from workshop.models import Member, OutboxEvent, Replay, Workshop
from workshop.outbox import doorbell

# What stays undone while an event is given up on, by the first part of its kind.
UNDONE = {
    "donors": "A machine or the catalogue changed; waiting jobs were not compared with it.",
    "parts": "Parts came in or changed; waiting jobs were not compared with them.",
    "workshop": "A file was not checked, stored or taken back; its page says so until then.",
    "matching": "A job, a rule or past fittings changed; the stock was not compared with them.",
}
# What went wrong, by the name of the error; the rest is the program's own fault.
CAUSES = {
    "OperationalError": "The database did not answer or cut the work off. Trying again may do.",
    "InterfaceError": "The connection to the database was lost. Trying again may do.",
    "IntegrityError": "The database refused what would have been written: it clashes with a row "
    "that is there.",
    "DoesNotExist": "Something it speaks of is no longer there.",
    "MemoryError": "The machine ran out of memory.",
    "CutOff": "The work was ended each time before it was done: it takes longer than a task may "
    "(30 s), or the process was stopped.",
    "OSError": "A file could not be read or written: look at the disk.",
}
UNKNOWN = "The program met something it cannot handle. If trying again does not help, report it."


def about(kind: str) -> str:
    """Return in words what an event of this kind tells: "Donor received"."""
    return kind.rpartition(".")[2].replace("-", " ").capitalize()


def undone(kind: str) -> str:
    """Return what stays undone while such an event is given up on."""
    return UNDONE.get(kind.partition(".")[0], "What follows from it was not done.")


def cause(error: str) -> str:
    """Return in plain words what the last try failed of; `error` begins with the error's name."""
    return CAUSES.get(error.partition(":")[0], UNKNOWN)


def list_dead(workshop: Workshop) -> "QuerySet[OutboxEvent]":
    """Return the workshop's events given up on, the latest first."""
    rows = OutboxEvent.of(workshop).filter(dead_at__isnull=False)
    return rows.order_by("-dead_at", "id")


def list_replays(workshop: Workshop) -> "QuerySet[Replay]":
    """Return what was tried again, the latest first."""
    return Replay.of(workshop).select_related("event", "member__user").order_by("-at", "-id")


def list_everywhere() -> list[OutboxEvent]:
    """Return the events given up on in every workshop, oldest first. For whoever runs it."""
    rows = OutboxEvent.objects.unscoped().filter(dead_at__isnull=False)
    return list(rows.select_related("workshop").order_by("dead_at", "id"))


@transaction.atomic
def replay(*, workshop: Workshop, event_id: UUID, member: Member, now: datetime) -> OutboxEvent:
    """Make one event due again. Raises NotFound, and Conflict when it is not given up on."""
    rows = OutboxEvent.of(workshop).filter(pk=event_id)
    event = rows.select_for_update().first()
    if event is None:
        raise NotFound("No such event in this workshop.")
    if event.dead_at is None:
        raise Conflict(
            f"{about(event.kind)}: somebody has tried it again already, or it was never given "
            "up on. Nothing was changed."
        )
    _make_due([event], member=member, now=now)
    return event


@transaction.atomic
def replay_all(*, workshop: Workshop, member: Member, now: datetime) -> int:
    """Make every event the workshop's dispatcher gave up on due again. Returns how many."""
    return _make_due(list(list_dead(workshop).select_for_update()), member=member, now=now)


@transaction.atomic
def replay_everywhere(*, now: datetime) -> int:
    """Make every event given up on due again, in all workshops. Returns how many."""
    rows = OutboxEvent.objects.unscoped().filter(dead_at__isnull=False)
    return _make_due(list(rows.select_for_update()), member=None, now=now)


def _make_due(events: list[OutboxEvent], *, member: Member | None, now: datetime) -> int:
    Replay.objects.bulk_create(
        [_note(event, event.dead_at or now, member=member, now=now) for event in events],
        batch_size=200,
    )
    for event in events:
        event.dead_at, event.attempts, event.available_at = None, 0, now
    OutboxEvent.objects.unscoped().bulk_update(
        events, ["dead_at", "attempts", "available_at"], batch_size=200
    )
    transaction.on_commit(doorbell.set)
    return len(events)


def _note(
    event: OutboxEvent, gave_up_at: datetime, *, member: Member | None, now: datetime
) -> Replay:
    return Replay(
        workshop_id=event.workshop_id,
        event=event,
        member=member,
        at=max(now, gave_up_at),  # a clock put back must not keep anybody from trying again
        gave_up_at=gave_up_at,
        error=event.last_error,
    )
