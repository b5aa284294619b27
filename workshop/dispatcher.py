"""Act on committed outbox rows: claim by lease, handle, close - the same code in every mode.

A handler's writes and the closing of its row are one transaction, so an effect happens once
however often a row is delivered. A process that dies leaves a lease that runs out.
"""

import logging
import os
import socket
import threading
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import connection, transaction
from django.utils import timezone

from workshop import errands, leases
from workshop.models import DispatcherPulse, OutboxEvent, Workshop
from workshop.outbox import doorbell

log = logging.getLogger(__name__)

BATCH = 20
MOST_ATTEMPTS = 8

Handler = Callable[[OutboxEvent, datetime], None]
_handlers: dict[str, list[Handler]] = {}
_sweeps: list[Callable[[datetime], int]] = []


@dataclass(frozen=True)
class Round:
    """What one pass did."""

    handled: int = 0
    failed: int = 0

    @property
    def idle(self) -> bool:
        return not (self.handled or self.failed)


def handles(*kinds: str) -> Callable[[Handler], Handler]:
    """Register a handler for these kinds of event. Called from an app's receivers."""

    def register(handler: Handler) -> Handler:
        for kind in kinds:
            _handlers.setdefault(kind, []).append(handler)
        return handler

    return register


def sweeps(repair: Callable[[datetime], int]) -> Callable[[datetime], int]:
    """Register a repair the sweep runs every minute; it returns how much it mended."""
    _sweeps.append(repair)
    return repair


def run_once(*, now: datetime, batch: int = BATCH) -> Round:
    """Claim up to `batch` open events and handle each. Returns what was done."""
    handled = failed = 0
    claimed = leases.claim(OutboxEvent.objects.unscoped(), now=now, batch=batch)
    for event_id in claimed.ids:
        if _handle(event_id, claimed.lease, now=now):
            handled += 1
        else:
            failed += 1
    return Round(handled, failed)


def drain(*, now: Callable[[], datetime] = timezone.now, most_rounds: int = 100_000) -> Round:
    """Handle events until none is due. Returns the total."""
    handled = failed = 0
    for _ in range(most_rounds):
        done = run_once(now=now())
        if done.idle:
            break
        handled, failed = handled + done.handled, failed + done.failed
    return Round(handled, failed)


def sweep(*, now: datetime) -> Round:
    """Run every registered repair, each by itself: one that raises is logged and the rest run.

    Returns how many things were mended and how many repairs failed.
    """
    mended = failed = 0
    for repair in _sweeps:
        try:
            mended += repair(now)
        except Exception:  # the next sweep tries it again
            failed += 1
            log.exception("sweep: %s.%s failed", repair.__module__, repair.__qualname__)
    if failed:
        log.error("sweep: %d of %d repairs failed", failed, len(_sweeps))
    return Round(mended, failed)


def _handle(event_id: uuid.UUID, lease: uuid.UUID, *, now: datetime) -> bool:
    """Handle one leased event and close it in the same transaction."""
    try:
        with transaction.atomic():
            event = _still_ours(event_id, lease)
            if event is None:
                return True
            for handler in _handlers.get(event.kind, []):
                handler(event, now)
            event.done_at, event.lease, event.leased_until = now, None, None
            event.save(update_fields=["done_at", "lease", "leased_until"])
        return True
    except Exception as error:  # a bad row must not stop the rest; it is retried, then shown
        log.exception("event %s failed", event_id)
        _postpone(event_id, lease, error, now=now)
        return False


def _still_ours(event_id: uuid.UUID, lease: uuid.UUID) -> OutboxEvent | None:
    """Lock the event and its workshop, so that one workshop's events are handled one by one.

    Two handlers of one workshop could otherwise write an older score over a newer one.
    """
    rows = OutboxEvent.objects.unscoped().filter(id=event_id, lease=lease, done_at__isnull=True)
    event: OutboxEvent | None = rows.first()
    if event is None:
        return None
    Workshop.objects.select_for_update(no_key=True).get(id=event.workshop_id)
    return rows.select_for_update().first()


def _postpone(event_id: uuid.UUID, lease: uuid.UUID, error: Exception, *, now: datetime) -> None:
    """Give a failed event back: later each time, and after the last attempt to a person."""
    event = OutboxEvent.objects.unscoped().filter(id=event_id, lease=lease).first()
    if event is None:
        return
    event.lease = event.leased_until = None
    event.last_error = f"{type(error).__name__}: {error}"[:2000]
    if event.attempts >= MOST_ATTEMPTS:
        event.dead_at = now
    else:
        event.available_at = now + timedelta(seconds=2**event.attempts)
    event.save()


def dead_letters() -> list[OutboxEvent]:
    """Return the events given up on, oldest first, with the error of the last try."""
    return list(OutboxEvent.objects.unscoped().filter(dead_at__isnull=False).order_by("dead_at"))


def revive_dead(*, now: datetime) -> int:
    """Make every event given up on due again. Returns how many."""
    rows = OutboxEvent.objects.unscoped().filter(dead_at__isnull=False)
    return int(rows.update(dead_at=None, attempts=0, available_at=now))


def own_name() -> str:
    return f"{socket.gethostname()}:{os.getpid()}:{threading.get_ident()}"


def beat(*, now: datetime, handled: int) -> None:
    """Note that this dispatcher is alive (readiness checks read it)."""
    DispatcherPulse.objects.update_or_create(
        name=own_name(), defaults={"beat_at": now, "handled": handled}
    )


def run_forever(
    stop: threading.Event, *, poll_seconds: float = 1.0, sweep_seconds: float = 60.0
) -> None:
    """Dispatch until `stop` is set: woken by the doorbell, polling too, sweeping each minute.

    Errands, which wait for other servers, are run beside it: matching never waits for them.
    """
    sender = threading.Thread(target=errands.run_forever, args=[stop], name="errands")
    sender.start()
    handled = 0
    next_sweep = next_beat = timezone.now()
    while not stop.is_set():
        doorbell.clear()
        now = timezone.now()
        try:
            handled += drain().handled
            if now >= next_beat:
                beat(now=now, handled=handled)
                next_beat = now + timedelta(seconds=15)
            if now >= next_sweep:
                sweep(now=now)
                next_sweep = now + timedelta(seconds=sweep_seconds)
        except Exception:  # the database may be away for a moment; the next round tries again
            log.exception("dispatcher round failed")
            connection.close()
        doorbell.wait(poll_seconds)
    sender.join()
    connection.close()
