"""What waits for other servers, outside every transaction: mails and webhooks on their way.

An errand is claimed by lease and recorded through the database by the one thread that calls
`Runner.step`; only what talks to the network runs in the pool. So a server that hangs keeps one
place of the pool for the time it is given, and nothing else.
"""

import logging
import threading
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import connection
from django.utils import timezone

log = logging.getLogger(__name__)

PLACES = 8  # errands under way at once in one process
MOST_SECONDS = 15  # what one errand may take (Standard Webhooks: 15 to 30 s)


@dataclass(frozen=True)
class Errand:
    """One thing to send.

    target: to whom; one errand is under way to each at a time. run: talks to the network, never
    to the database; ends within MOST_SECONDS. record: writes what `run` returned or raised.
    """

    target: str
    run: Callable[[], Any]
    record: Callable[[Any, datetime], None]


# Given the moment and the targets that are busy, leases one due errand; None when none is due.
Taker = Callable[[datetime, frozenset[str]], Errand | None]
_takers: list[Taker] = []


def takes(taker: Taker) -> Taker:
    """Register where errands come from. Called from an app's receivers."""
    _takers.append(taker)
    return taker


class Runner:
    """Keeps up to PLACES errands under way."""

    def __init__(self, *, now: Callable[[], datetime] = timezone.now) -> None:
        self.now = now
        self.pool = ThreadPoolExecutor(PLACES, thread_name_prefix="errand")
        self.under_way: dict[Future[Any], Errand] = {}
        self.finished = 0

    def step(self) -> bool:
        """Record what has ended and begin what is due. Returns True while anything is under way."""
        self.record_ended()
        while len(self.under_way) < PLACES:
            errand = self._take()
            if errand is None:
                break
            self.under_way[self.pool.submit(errand.run)] = errand
        return bool(self.under_way)

    def _take(self) -> Errand | None:
        busy = frozenset(errand.target for errand in self.under_way.values())
        for taker in _takers:
            errand = taker(self.now(), busy)
            if errand is not None:
                return errand
        return None

    def record_ended(self) -> None:
        for future in [one for one in self.under_way if one.done()]:
            errand = self.under_way.pop(future)
            self.finished += 1
            result = future.exception() or future.result()
            try:
                errand.record(result, self.now())
            except Exception:  # its lease runs out, then it is sent again with the same id
                log.exception("errand to %s: what became of it was not recorded", errand.target)

    def wait(self, seconds: float) -> None:
        """Wait until something under way ends, at most so long."""
        wait(self.under_way, timeout=seconds, return_when=FIRST_COMPLETED)

    def finish(self) -> None:
        """Wait for what is under way, record it, and end the pool."""
        wait(self.under_way, timeout=MOST_SECONDS + 2)
        self.record_ended()
        self.pool.shutdown(wait=False, cancel_futures=True)


def drain(
    *, now: Callable[[], datetime] = timezone.now, begin_for: timedelta = timedelta(minutes=10)
) -> int:
    """Run errands until none is due. Returns how many ended.

    begin_for: nothing is begun later than this after the start; what is under way is finished.
    """
    runner = Runner(now=now)
    start = timezone.now()
    try:
        while runner.step() and timezone.now() < start + begin_for:
            runner.wait(1.0)
    finally:
        runner.finish()
    return runner.finished


def run_forever(stop: threading.Event, *, poll_seconds: float = 1.0) -> None:
    """Run errands until `stop` is set; those under way are finished."""
    runner = Runner()
    while not stop.is_set():
        try:
            if runner.step():
                runner.wait(poll_seconds)
                continue
        except Exception:  # the database may be away for a moment; the next round tries again
            log.exception("errands: round failed")
            connection.close()
        stop.wait(poll_seconds)
    runner.finish()
    connection.close()
