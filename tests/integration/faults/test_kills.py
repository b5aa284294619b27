"""Processes are killed while machines stream in: nothing is lost, nobody is told twice.

Reliability plan, rows 2, 3, 17 and 20. With RACES=full 3,000 arrivals and 200 kills.
"""

import random
import signal
import time
from collections.abc import Callable

import pytest
from django.db import connection

from tests.integration.faults.conftest import Waiting, drained, open_events
from tests.integration.races.sizes import FULL, size
from tests.running import Running, until
from workshop.models import DispatcherPulse, OutboxEvent

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("faults")]

ARRIVALS, KILLS = size(12, 3_000), size(2, 200)
TERMS, QUITS = size(1, 100), size(1, 50)


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
    assert not arrivals.refused
    assert waiting.missing(arrivals.acknowledged) == set()
    assert waiting.doubled() == 0
    say(arrivals=ARRIVALS, kills=KILLS, lost=0, doubled=0, retries=arrivals.retries,
        drained_in=f"{took:.1f} s")  # fmt: skip


def test_control_without_a_lease_what_a_killed_process_had_is_lost(waiting: Waiting) -> None:
    """The known-bad way: take an event off the list, then act. Killed in between, it is gone."""
    waiting.bench.donor("W7-60 R1 W", ref="A-1")
    assert open_events() > 0
    OutboxEvent.objects.unscoped().all().delete()  # taken by a process that is killed now
    assert waiting.missing(["A-1"]) == {"A-1"}
    waiting.bench.drain()
    assert waiting.missing(["A-1"]) == {"A-1"}


def test_every_event_delivered_three_times_over_tells_nobody_twice(
    service: Running, waiting: Waiting, say: Callable[..., None]
) -> None:
    """Row 3: two dispatchers, and each event made due again and again."""
    count = size(4, 300)
    for number in range(count):
        waiting.bench.donor("W7-60 R1 W", ref=f"A-{number}")
    service.start_dispatcher("first")
    service.start_dispatcher("second")
    for _ in range(3):
        drained(size(120, 1200))
        OutboxEvent.objects.unscoped().update(done_at=None)
    drained(size(120, 1200))
    assert waiting.missing([f"A-{number}" for number in range(count)]) == set()
    assert waiting.doubled() == 0
    say(arrivals=count, deliveries_of_each=4, doubled=0)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGQUIT])
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
    assert not arrivals.refused
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
    refs = [waiting.bench.donor("W7-60 R1 W", ref=f"A-{n}").ref for n in range(count)]
    time.sleep(0.5)
    service.kill("worker")
    begun = time.monotonic()
    service.restart("worker")
    drained(90)
    took = time.monotonic() - begun
    assert waiting.missing(refs) == set()
    assert waiting.doubled() == 0
    say(arrivals=count, all_done_in=f"{took:.1f} s")
