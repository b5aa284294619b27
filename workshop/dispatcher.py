"""Act on committed outbox rows: claim by lease, handle, close - the same code in every mode.

A handler's writes and the closing of its row are one transaction, so an effect happens once
however often a row is delivered. A process that dies leaves a lease that runs out.
"""

import itertools
import logging
import os
import socket
import threading
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import connection, transaction
from django.db.models import F
from django.utils import timezone

from workshop import errands, leases, outbox, tracing
from workshop.models import DispatcherPulse, OutboxEvent, Replay, SweepPulse, Workshop
from workshop.outbox import doorbell

log = logging.getLogger(__name__)

BATCH = 20
BACKGROUND_BATCH = 2  # so many are in the way of news that comes in meanwhile
BACKGROUND_TURN = 6  # every so many claims background work goes first: it never waits for ever
MOST_ATTEMPTS = 8
# Between two beats, and in one task, which is ended at 30 s: a long queue is no stall.
BEGIN_FOR = timedelta(seconds=10)
# From the claim until its handling begins (then the row is locked): short, so that what a killed
# process had claimed is taken up at once.
LEASE = timedelta(seconds=20)
BEAT_EVERY = timedelta(seconds=15)
LONGEST_WAIT = timedelta(seconds=2 ** (MOST_ATTEMPTS - 1) + 30)
FORGET_BEATS_AFTER = timedelta(days=1)
FORGET_AT_ONCE = 5_000  # events in one sweep: some seven million a day at most

Handler = Callable[[OutboxEvent, datetime], None]
_handlers: dict[str, list[Handler]] = {}
WorkOut = Callable[[OutboxEvent, datetime], Any]
Store = Callable[[OutboxEvent, datetime, Any], None]
_worked_out: dict[str, tuple[WorkOut, Store]] = {}
Repair = Callable[[datetime], int]
_sweeps: list[Repair] = []
_long_sweeps: list[Repair] = []


@dataclass(frozen=True)
class Round:
    """What one pass did."""

    handled: int = 0
    failed: int = 0

    @property
    def idle(self) -> bool:
        return not (self.handled or self.failed)


class CutOff(Exception):
    """The process that handled an event was ended each time, by a limit or from outside."""


def handles(*kinds: str) -> Callable[[Handler], Handler]:
    """Register a handler for these kinds of event. Called from an app's receivers."""

    def register(handler: Handler) -> Handler:
        for kind in kinds:
            _handlers.setdefault(kind, []).append(handler)
        return handler

    return register


def handles_worked_out(kind: str, *, by: WorkOut) -> Callable[[Store], Store]:
    """Register a handler for what takes long: `by` works it out before the transaction begins.

    Nobody waits for it meanwhile, and it must write nothing. The handler is called after the
    others of its kind, in the transaction that closes the event, with what it came to: what that
    rests on may have changed and is to be looked at again.
    """

    def register(handler: Store) -> Store:
        _worked_out[kind] = (by, handler)
        return handler

    return register


def sweeps(repair: Repair) -> Repair:
    """Register a repair the sweep runs every minute; it returns how much it mended."""
    _sweeps.append(repair)
    return repair


def sweeps_last(repair: Repair) -> Repair:
    """Register what takes long: it runs after every other repair of every app, and keeps a budget.

    A whole sweep is one task, which is ended at 30 s: nobody's reminder waits for such work.
    """
    _long_sweeps.append(repair)
    return repair


def run_once(*, now: datetime, batch: int = BATCH) -> Round:
    """Claim up to `batch` open events and handle each. Returns what was done."""
    handled = failed = 0
    claimed = _claim(now=now, batch=batch)
    for event_id in claimed.ids:
        if _handle(event_id, claimed.lease, now=now):
            handled += 1
        else:
            failed += 1
    return Round(handled, failed)


_claims = itertools.count(1)


def _claim(*, now: datetime, batch: int) -> leases.Claim:
    """Lease news, or background work where there is none."""
    rows = OutboxEvent.objects.unscoped()
    turns = [(False, batch), (True, min(batch, BACKGROUND_BATCH))]
    if next(_claims) % BACKGROUND_TURN == 0:
        turns.reverse()
    for background, size in turns:
        claimed = leases.claim(
            rows.filter(background=background),
            now=now,
            batch=size,
            lease_for=LEASE,
            longest_wait=LONGEST_WAIT,
            counts=False,
        )
        if claimed.ids:
            break
    return claimed


def drain(
    *,
    now: Callable[[], datetime] = timezone.now,
    begin_for: timedelta | None = None,
    batch: int = BATCH,
    most_rounds: int = 100_000,
) -> Round:
    """Handle events until none is due. Returns the total.

    begin_for: no batch is claimed later than this after the start; what is left stays due.
    """
    handled = failed = 0
    begun = time.monotonic()
    for _ in range(most_rounds):
        if begin_for is not None and time.monotonic() >= begun + begin_for.total_seconds():
            break
        done = run_once(now=now(), batch=batch)
        if done.idle:
            break
        handled, failed = handled + done.handled, failed + done.failed
    return Round(handled, failed)


def sweep(*, now: datetime) -> Round:
    """Run every registered repair, each by itself: one that raises is logged and the rest run.

    Returns how many things were mended and how many repairs failed.
    """
    mended = failed = 0
    repairs = [*_sweeps, *_long_sweeps]
    with tracing.following(f"sweep-{tracing.made()}"):
        for repair in repairs:
            try:
                mended += repair(now)
            except Exception:  # the next sweep tries it again
                failed += 1
                log.exception("sweep: %s.%s failed", repair.__module__, repair.__qualname__)
        if failed:
            log.error("sweep: %d of %d repairs failed", failed, len(repairs))
    SweepPulse.objects.update_or_create(
        id=1, defaults={"ended_at": now, "mended": mended, "failed": failed}
    )
    DispatcherPulse.objects.filter(beat_at__lt=now - FORGET_BEATS_AFTER).delete()
    return Round(mended, failed)


@sweeps
def forget_done_events(now: datetime) -> int:
    """Remove events done more than KEEP_EVENTS_DAYS ago, some at a time. Returns how many.

    Nothing reads a done event: what was told of it is kept apart by the rows it led to (an alert
    is never told twice by its own constraint). Dead letters stay until somebody tries them again,
    and done ones that were once tried again stay as long as the record of that.
    """
    before = now - timedelta(days=settings.KEEP_EVENTS_DAYS)
    rows = OutboxEvent.objects.unscoped().filter(done_at__lt=before, dead_at__isnull=True)
    old = rows.exclude(pk__in=Replay.objects.unscoped().values("event"))
    gone = list(old.order_by("done_at").values_list("pk", flat=True)[:FORGET_AT_ONCE])
    OutboxEvent.objects.unscoped().filter(pk__in=gone).delete()
    return len(gone)


def _handle(event_id: uuid.UUID, lease: uuid.UUID, *, now: datetime) -> bool:
    """Handle one leased event, under the id of the request that caused it, and close it.

    The attempt is counted now, not when its batch was claimed: an event that ends its process
    would otherwise have those behind it given up on, untried.
    """
    row = OutboxEvent.objects.unscoped().filter(id=event_id)
    row.filter(done_at__isnull=True).update(attempts=F("attempts") + 1)
    whence, kind, attempts = row.values_list("request_id", "kind", "attempts").first() or (
        "",
        "",
        0,
    )
    with tracing.following(whence or tracing.made()):
        if attempts > MOST_ATTEMPTS:
            # Every try ended without a word: nobody else would ever give up on it.
            log.error("event %s was cut off each time", event_id)
            _postpone(event_id, lease, CutOff(f"none of {attempts - 1} tries ended"), now=now)
            return False
        return _act_and_close(event_id, lease, kind, now=now)


def _act_and_close(event_id: uuid.UUID, lease: uuid.UUID, kind: str, *, now: datetime) -> bool:
    """Run the handlers and close the event in one transaction, after what is worked out before."""
    told = {"event": str(event_id), "event_kind": kind}
    try:
        worked = _work_out(event_id, kind, now)
        with transaction.atomic():
            event = _still_open(event_id)
            if event is None:
                return True
            with outbox.handling(event):
                for handler in _handlers.get(event.kind, []):
                    handler(event, now)
                if kind in _worked_out:
                    _worked_out[kind][1](event, now, worked)
            event.done_at, event.lease, event.leased_until = now, None, None
            event.save(update_fields=["done_at", "lease", "leased_until"])
        log.info("event handled", extra={**told, "attempts": event.attempts})
        return True
    except Exception as error:  # a bad row must not stop the rest; it is retried, then shown
        log.exception("event %s failed", event_id, extra=told)
        _postpone(event_id, lease, error, now=now)
        return False


def _work_out(event_id: uuid.UUID, kind: str, now: datetime) -> Any:
    """Return what an event's handler is to be given; None for most kinds, and for what is closed.

    Like `_still_open` it asks for no lease: what it would leave out is handled all the same.
    """
    if kind not in _worked_out:
        return None
    rows = OutboxEvent.objects.unscoped().filter(id=event_id, done_at__isnull=True)
    event = rows.filter(dead_at__isnull=True).first()
    return None if event is None else _worked_out[kind][0](event, now)


def _still_open(event_id: uuid.UUID) -> OutboxEvent | None:
    """Lock the event and its workshop, so that one workshop's events are handled one by one.

    Two handlers of one workshop could otherwise write an older score over a newer one. The locks
    and what is open decide, not the lease: where clocks differ by an hour each takes the other's
    lease for void, and an event would be claimed to and fro until it is given up on.
    """
    rows = OutboxEvent.objects.unscoped()
    rows = rows.filter(id=event_id, done_at__isnull=True, dead_at__isnull=True)
    event: OutboxEvent | None = rows.first()
    if event is None:
        return None
    Workshop.objects.select_for_update(no_key=True).get(id=event.workshop_id)
    return rows.select_for_update().first()


def alive(*, now: datetime, within: timedelta, but_for: str = "") -> bool:
    """Return True when some dispatcher has beaten lately (not the one named)."""
    rows = DispatcherPulse.objects.exclude(name=but_for).filter(beat_at__gt=now - within)
    return bool(rows.exists())


def _postpone(event_id: uuid.UUID, lease: uuid.UUID, error: Exception, *, now: datetime) -> None:
    """Give a failed event back: later each time, and after the last attempt to a person."""
    # In one statement: read first and saved later, it would open again what another closed.
    rows = OutboxEvent.objects.unscoped().filter(id=event_id, lease=lease, done_at__isnull=True)
    attempts = rows.values_list("attempts", flat=True).first()
    if attempts is None:
        return
    later: dict[str, Any] = {"available_at": now + timedelta(seconds=2**attempts)}
    rows.update(
        lease=None,
        leased_until=None,
        last_error=f"{type(error).__name__}: {error}"[:2000],
        **({"dead_at": now} if attempts >= MOST_ATTEMPTS else later),
    )


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
            done = drain(begin_for=BEGIN_FOR)
            handled += done.handled
            if now >= next_beat:
                beat(now=now, handled=handled)
                next_beat = now + BEAT_EVERY
            if now >= next_sweep:
                sweep(now=now)
                next_sweep = now + timedelta(seconds=sweep_seconds)
        except Exception:  # the database may be away for a moment; the next round tries again
            log.exception("dispatcher round failed")
            connection.close()
            done = Round()
        if done.idle:
            doorbell.wait(poll_seconds)
    sender.join()
    connection.close()
