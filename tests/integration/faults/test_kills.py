"""Processes are killed while machines stream in: nothing is lost, nobody is told twice.

Reliability plan, rows 2, 3, 17 and 20. With RACES=full 3,000 arrivals and 200 kills.
"""

import random
import signal
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, transaction
from django.utils import timezone

from donors.models import Donor
from matching.models import Alert
from tests.integration.faults.arriving import MODEL
from tests.integration.faults.conftest import Waiting, drained
from tests.integration.races.sizes import FULL, size
from tests.running import PYTHON, Running, accepts, until
from workshop import dispatcher, leases
from workshop.models import DispatcherPulse, OutboxEvent, Workshop

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("faults")]

ARRIVALS, KILLS = size(12, 3_000), size(2, 200)
TERMS, QUITS = size(2, 100), size(0, 50)


def test_nothing_is_lost_or_doubled_when_processes_are_killed(
    service: Running, waiting: Waiting, say: Callable[..., None]
) -> None:
    service.start_web(processes=1)
    service.start_dispatcher("first")
    if FULL:
        service.start_dispatcher("second")
    arrivals = waiting.arrivals(service)
    sending = arrivals.stream(ARRIVALS)
    rng = random.Random(2)
    for _ in range(KILLS):
        time.sleep(rng.uniform(0.2, 2.0) if FULL else 1.0)
        name = rng.choice(sorted(service.processes))
        service.kill(name)
        service.restart(name)
        if name == "web" and any(one.is_alive() for one in sending):
            # Killed while it still starts it would never take a machine, and a test of patience.
            service.await_web(120)
            taken = len(arrivals.acknowledged)
            until(
                lambda seen=taken: (
                    len(arrivals.acknowledged) > seen or not any(one.is_alive() for one in sending)
                ),
                seconds=120,
            )
    for one in sending:
        one.join()
    took = drained(size(120, 1200))
    assert len(arrivals.acknowledged) == ARRIVALS
    assert waiting.missing(arrivals.acknowledged) == set()
    assert waiting.doubled() == 0
    say(arrivals=ARRIVALS, kills=KILLS, lost=0, doubled=0, retries=arrivals.retries,
        drained_in=f"{took:.1f} s")  # fmt: skip


# The way, how many of one machine nobody is told of, how many are told of twice.
AT_THE_WORST_MOMENT = [("whole", 0, 0), ("closes-first", 1, 0), ("acts-first", 0, 1)]


@pytest.mark.parametrize(("way", "lost", "doubled"), AT_THE_WORST_MOMENT)
def test_a_dispatcher_killed_at_the_worst_moment(
    service: Running, waiting: Waiting, tmp_path: Path, way: str, lost: int, doubled: int
) -> None:
    """Ours loses and doubles nothing, even where the inbox would let a second row in.

    The two others are the controls: to close the event before acting on it, or after, in another
    transaction than the writes. What finds them out is what the tests of this file count with.
    """
    stands = tmp_path / "stands"
    with inbox_without_its_constraint():
        waiting.bench.donor(MODEL, ref="A-1")
        service.start("dying", [PYTHON, "-m", "tests.integration.faults.dying", way, str(stands)])
        until(stands.exists)
        service.kill("dying")
        after_the_lease()
        assert waiting.missing(["A-1"]) == ({"A-1"} if lost else set())
        assert waiting.doubled() == doubled


def test_control_what_a_killed_process_leased_is_lost_without_an_end_of_leases(
    waiting: Waiting, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Taken for good, what a process had claimed is nobody's once it is killed."""
    waiting.bench.donor(MODEL, ref="A-1")
    claimed = dispatcher._claim(now=timezone.now(), batch=20)  # and then it is killed
    assert claimed.ids
    with monkeypatch.context() as known_bad:
        known_bad.setattr(dispatcher.leases, "claim", claim_for_good)
        after_the_lease()
        assert waiting.missing(["A-1"]) == {"A-1"}
    after_the_lease()
    assert waiting.missing(["A-1"]) == set()


def claim_for_good(rows: Any, *, now: datetime, batch: int, **_: Any) -> leases.Claim:
    """The known-bad way: what somebody took is theirs, whatever became of them."""
    free = rows.filter(done_at__isnull=True, leased_until__isnull=True)[:batch]
    return leases.Claim(tuple(free.values_list("id", flat=True)), uuid.uuid4())


def after_the_lease() -> None:
    dispatcher.drain(now=lambda: timezone.now() + dispatcher.LEASE + timedelta(seconds=1))


@contextmanager
def inbox_without_its_constraint() -> Iterator[None]:
    """Let the inbox take the same news twice, so that it is seen who would tell it twice."""
    once = next(one for one in Alert._meta.constraints if one.name == "alert_never_twice")
    with connection.schema_editor() as editor:
        editor.remove_constraint(Alert, once)
    try:
        yield
    finally:
        Alert.objects.unscoped().delete()
        with connection.schema_editor() as editor:
            editor.add_constraint(Alert, once)


def test_control_an_inbox_without_its_constraint_is_told_with_each_delivery(
    waiting: Waiting,
) -> None:
    """What keeps the three deliveries of the next test from telling three times over."""
    with inbox_without_its_constraint():
        waiting.bench.donor(MODEL, ref="A-1")
        for _ in range(4):
            waiting.bench.drain()
            OutboxEvent.objects.unscoped().update(done_at=None)
        assert waiting.doubled() == 3


def test_every_event_delivered_three_times_over_tells_nobody_twice(
    service: Running, waiting: Waiting, say: Callable[..., None]
) -> None:
    """Row 3: two dispatchers, and each event made due again and again."""
    count = size(4, 300)
    for number in range(count):
        waiting.bench.donor(MODEL, ref=f"A-{number}")
    service.start_dispatcher("first")
    service.start_dispatcher("second")
    for _ in range(3):
        drained(size(120, 1200))
        OutboxEvent.objects.unscoped().update(done_at=None)
    drained(size(120, 1200))
    assert waiting.missing([f"A-{number}" for number in range(count)]) == set()
    assert waiting.doubled() == 0
    say(arrivals=count, deliveries_of_each=4, doubled=0)


@pytest.mark.parametrize(("number", "answered"), [(signal.SIGTERM, True), (signal.SIGKILL, False)])
def test_who_is_being_answered_when_a_server_is_asked_to_end_gets_the_answer(
    service: Running, waiting: Waiting, number: signal.Signals, answered: bool
) -> None:
    """Row 20, forced: the request waits for a lock when the signal comes. KILL is the control."""
    if connection.vendor == "sqlite":
        pytest.skip("whether a request waits for a lock is seen on PostgreSQL only")
    service.start_web(processes=1)
    arrivals = waiting.arrivals(service)
    replies: list[int] = []
    asking = threading.Thread(target=lambda: replies.append(arrivals._post("A-1")[0]))
    with transaction.atomic():
        Workshop.objects.select_for_update().get(pk=waiting.bench.workshop.pk)
        asking.start()
        until(somebody_waits_for_a_lock)
        service.signal_one("web", number)
        # Asked to end, a server holds its port until the last is answered: who holds the lock
        # goes on once it was asked.
        until(lambda: asked_to_end(service) or not accepts(service.port), seconds=30)
    asking.join(30)
    assert replies == ([201] if answered else [0])
    if answered:  # what is cut off may be stored or not: that is why a client sends a key
        assert Donor.of(waiting.bench.workshop).filter(ref="A-1").exists()


def asked_to_end(service: Running) -> bool:
    return "Handling signal: term" in service.log("web")


def somebody_waits_for_a_lock() -> bool:
    with connection.cursor() as cursor:
        # Within a transaction, as here, the server shows what it showed first, again and again.
        cursor.execute("SELECT pg_stat_clear_snapshot()")
        cursor.execute(
            "SELECT count(*) FROM pg_stat_activity "
            "WHERE datname = current_database() AND wait_event_type = 'Lock'"
        )
        return bool(cursor.fetchone()[0])


# At quick counts TERM alone: what QUIT may cut is chance, and needs many stops.
@pytest.mark.parametrize("number", size([signal.SIGTERM], [signal.SIGTERM, signal.SIGQUIT]))
def test_a_stop_signal_loses_nothing(
    service: Running, waiting: Waiting, say: Callable[..., None], number: signal.Signals
) -> None:
    """Row 20. On TERM whoever was being answered is answered; QUIT may cut, and loses nothing."""
    service.start_web(processes=1)
    service.start_dispatcher("first")
    arrivals = waiting.arrivals(service)
    stops = TERMS if number == signal.SIGTERM else QUITS
    sending = arrivals.stream(1_000_000)
    slowest = 0.0
    rng = random.Random(3)
    for turn in range(stops):
        until(lambda: arrivals.acknowledged, seconds=60)
        time.sleep(rng.uniform(0.1, 1.0))
        name = "web" if turn % 2 == 0 else "first"
        begun = time.monotonic()
        service.processes[name].send_signal(number)
        service.processes[name].wait(timeout=30)
        slowest = max(slowest, time.monotonic() - begun)
        service.restart(name)
        if name == "web":
            service.await_web()
    arrivals.stop.set()
    for one in sending:
        one.join(timeout=60)
    drained(size(120, 600))
    assert waiting.missing(arrivals.acknowledged) == set()
    assert waiting.doubled() == 0
    dropped = waiting.dropped(arrivals)
    if number == signal.SIGTERM:
        assert dropped == 0
    say(signal=number.name, stops=stops, arrivals=len(arrivals.acknowledged), lost=0,
        cut_before_taken=len(arrivals.cut) - dropped, replies_dropped=dropped,
        slowest_exit=f"{slowest:.1f} s")  # fmt: skip


@pytest.mark.redis
def test_a_worker_killed_with_tasks_running_holds_nothing_up(
    service: Running, waiting: Waiting, say: Callable[..., None]
) -> None:
    """Row 17: the worker with all its children, while a queue of events is being worked off."""
    if connection.vendor == "sqlite":
        pytest.skip("Celery is for the scaled-out service, which has PostgreSQL")
    count = size(6, 40)
    service.start_redis()
    service.start_beat()
    service.start_worker()
    until(DispatcherPulse.objects.exists, seconds=60)
    refs = [waiting.bench.donor(MODEL, ref=f"A-{n}").ref for n in range(count)]
    time.sleep(0.5)
    service.kill("worker")
    begun = time.monotonic()
    service.restart("worker")
    drained(90)
    took = time.monotonic() - begun
    assert waiting.missing(refs) == set()
    assert waiting.doubled() == 0
    say(arrivals=count, all_done_in=f"{took:.1f} s")
