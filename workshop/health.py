"""Is the service doing its work? Asked of the database, by whoever runs it, within two seconds.

The database is asked in a thread of its own, one at a time: a database that is silent costs a
probe two seconds and the process one thread, however often it is asked.
"""

import logging
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import datetime
from typing import Generic, TypeVar

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Count, Min, Q

from workshop.models import DispatcherPulse, OutboxEvent, SweepPulse

log = logging.getLogger(__name__)

SECONDS = 2.0
OK = "ok"
T = TypeVar("T")


class Patient(Generic[T]):
    """Asks `look` in a thread and waits a bounded time; who asks meanwhile shares the answer."""

    def __init__(self, look: Callable[[], T], *, seconds: float = SECONDS) -> None:
        self.look, self.seconds = look, seconds
        self.lock = threading.Lock()
        self.under_way: Future[T] | None = None

    def ask(self) -> T | None:
        """Return the answer; None when it takes longer than `seconds` or the look fails."""
        with self.lock:
            if self.under_way is None or self.under_way.done():
                self.under_way = Future()
                # A daemon: a database that never answers must not keep the process from ending.
                threading.Thread(target=self._run, args=[self.under_way], daemon=True).start()
            asked = self.under_way
        try:
            return asked.result(timeout=self.seconds)
        except TimeoutError:
            log.warning("the database has not answered within %s s", self.seconds)
        except DatabaseError as away:
            log.warning("the database cannot be asked: %s", type(away).__name__)
        return None

    def _run(self, answer: "Future[T]") -> None:
        try:
            answer.set_result(self.look())
        except Exception as error:
            answer.set_exception(error)
        finally:
            connection.close()


@dataclass(frozen=True)
class Work:
    """What the database says of the work. Moments are None where there is nothing to date."""

    open_events: int
    dead_letters: int
    oldest_recorded: datetime | None  # of the open events that are news
    oldest_due: datetime | None  # when the longest-waiting of those became due
    oldest_background: datetime | None  # recorded: what is reckoned anew may wait behind news
    beats: dict[str, datetime]
    swept_at: datetime | None
    sweep_failures: int


def read_work() -> Work:
    """Return how far the work has come: four short queries, each on an index or a small table."""
    events = OutboxEvent.objects.unscoped()
    waiting = events.filter(done_at__isnull=True, dead_at__isnull=True).aggregate(
        count=Count("id"),
        recorded=Min("recorded_at", filter=Q(background=False)),
        due=Min("available_at", filter=Q(background=False)),
        background=Min("recorded_at", filter=Q(background=True)),
    )
    swept = SweepPulse.objects.filter(id=1).first()
    return Work(
        open_events=waiting["count"],
        dead_letters=events.filter(Q(dead_at__isnull=False)).count(),
        oldest_recorded=waiting["recorded"],
        oldest_due=waiting["due"],
        oldest_background=waiting["background"],
        beats=dict(DispatcherPulse.objects.values_list("name", "beat_at")),
        swept_at=swept.ended_at if swept else None,
        sweep_failures=swept.failed if swept else 0,
    )


_migrated: list[bool] = []


def _is_migrated() -> bool:
    """Return True when no migration is left; a yes holds for the life of the process."""
    if not _migrated:
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            return False
        _migrated.append(True)
    return True


@dataclass(frozen=True)
class Seen:
    """The answers of one look: whether the tables fit the code, and the work when they do."""

    migrated: bool
    work: Work | None


def _look() -> Seen:
    migrated = _is_migrated()
    return Seen(migrated, read_work() if migrated else None)


patient = Patient(_look)


@dataclass(frozen=True)
class Readiness:
    """Each thing looked at: "ok" or a sentence. No names, addresses or errors in it."""

    checks: dict[str, str] = field(default_factory=dict)

    @property
    def ready(self) -> bool:
        return all(said == OK for said in self.checks.values())


def readiness(*, now: datetime) -> Readiness:
    """Return whether the service does its work now, thing by thing. Takes SECONDS at most."""
    seen = patient.ask()
    if seen is None:
        return Readiness({"database": "does not answer"})
    if seen.work is None:
        return Readiness({"database": OK, "tables": "not up to date; run manage.py migrate"})
    return Readiness({"database": OK, "tables": OK, **_judge(seen.work, now=now)})


def _judge(work: Work, *, now: datetime) -> dict[str, str]:
    latest_beat = max(work.beats.values(), default=None)
    due = age(work.oldest_due, now)
    late = due is not None and due > settings.READY_EVENT_SECONDS
    return {
        "dispatcher": _fresh(latest_beat, settings.READY_BEAT_SECONDS, now, "beat of a dispatcher"),
        "events": f"news has been due for {due:.0f} s" if late else OK,
        "sweep": _fresh(work.swept_at, settings.READY_SWEEP_SECONDS, now, "sweep"),
    }


def _fresh(at: datetime | None, limit: int, now: datetime, what: str) -> str:
    old = age(at, now)
    if old is None:
        return f"there has been no {what} yet"
    return OK if old <= limit else f"the last {what} was {old:.0f} s ago"


def age(at: datetime | None, now: datetime) -> float | None:
    """Return the seconds since `at`; below 0 (clocks of two machines differ) counts as 0."""
    return None if at is None else max(0.0, (now - at).total_seconds())
