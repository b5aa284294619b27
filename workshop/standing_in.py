"""Dispatch without the queue while nobody else does: a thread beside a Celery worker.

The queue only rings. When Redis is away, frozen or empty and no beat comes through, the worker
looks into the database by itself, so that news waits for seconds and not for Redis.
"""

import logging
import threading
from datetime import timedelta

from django.db import connection
from django.utils import timezone

from workshop import dispatcher, errands
from workshop.models import SweepPulse

log = logging.getLogger(__name__)

SILENT_FOR = timedelta(seconds=15)  # three times what a ring is worth (config/celery.py)
LOOK_EVERY = 5.0
SWEEP_AFTER = timedelta(seconds=90)
ERRANDS_FOR = timedelta(seconds=5)


def run(stop: threading.Event) -> None:
    """Stand in whenever no dispatcher has beaten for a while, until `stop` is set."""
    standing = False
    while not stop.wait(1.0 if standing else LOOK_EVERY):
        try:
            standing = step(standing=standing)
        except Exception:  # the database may be away for a moment; the next look tries again
            log.exception("standing in failed")
        finally:
            connection.close()  # a worker that forks must not share it


def step(*, standing: bool = False) -> bool:
    """Look once, and do what is due when nobody else does. Returns whether it did."""
    now = timezone.now()
    mine = dispatcher.own_name()
    if dispatcher.alive(now=now, within=SILENT_FOR, but_for=mine):
        if standing:
            log.warning("a dispatcher is heard again: standing in no more")
        return False
    if not standing:
        log.warning("no dispatcher was heard for %s s: standing in", SILENT_FOR.seconds)
    dispatcher.beat(now=now, handled=0)
    done = dispatcher.drain(begin_for=dispatcher.BEGIN_FOR, batch=1)
    errands.drain(begin_for=ERRANDS_FOR)
    dispatcher.beat(now=timezone.now(), handled=done.handled)
    swept = SweepPulse.objects.filter(id=1, ended_at__gt=now - SWEEP_AFTER).exists()
    if not swept:
        dispatcher.sweep(now=now)
    return True
