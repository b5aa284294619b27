"""The dispatcher's limits: nothing is begun near a task's end; what is cut off is given up on."""

from datetime import timedelta

import pytest

from tests.factories import NOW, Bench
from workshop import dead_letters, dispatcher, leases, tasks
from workshop.models import DispatcherPulse, OutboxEvent, SweepPulse

pytestmark = pytest.mark.django_db


def record(bench: Bench, count: int) -> None:
    OutboxEvent.objects.unscoped().delete()
    for _ in range(count):
        OutboxEvent.objects.create(
            workshop=bench.workshop, kind="bench.slow", recorded_at=NOW, available_at=NOW
        )


def test_a_task_begins_nothing_once_its_time_is_up(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four seconds an event and ten in all: three are begun, the rest is due and unleased."""
    clock = [0.0]

    def slow(event: OutboxEvent, now: object) -> None:
        clock[0] += 4

    monkeypatch.setattr(dispatcher.time, "monotonic", lambda: clock[0])
    monkeypatch.setitem(dispatcher._handlers, "bench.slow", [slow])
    record(bench, 8)
    tasks.dispatch()
    left = OutboxEvent.of(bench.workshop).filter(done_at__isnull=True)
    assert left.count() == 5
    assert set(left.values_list("attempts", "lease")) == {(0, None)}
    assert DispatcherPulse.objects.get().handled == 3
    dispatcher.drain()  # without a limit all of it
    assert not left.exists()


def test_an_event_whose_tries_are_all_cut_off_is_given_up_on(bench: Bench) -> None:
    """A process that is ended says nothing: the lease runs out and the next one counts."""
    record(bench, 1)
    now = NOW
    for _ in range(dispatcher.MOST_ATTEMPTS):
        claimed = leases.claim(OutboxEvent.objects.unscoped(), now=now, batch=20)
        assert len(claimed.ids) == 1  # and then it is killed
        now += timedelta(minutes=2)
    assert dispatcher.run_once(now=now).failed == 1
    (dead,) = dead_letters.list_dead(bench.workshop)
    assert dead_letters.cause(dead.last_error) == dead_letters.CAUSES["CutOff"]
    assert dispatcher.run_once(now=now + timedelta(days=1)).idle


def test_the_sweep_says_when_it_ended_and_forgets_dispatchers_long_gone(bench: Bench) -> None:
    DispatcherPulse.objects.create(name="gone", beat_at=NOW - timedelta(days=2))
    DispatcherPulse.objects.create(name="here", beat_at=NOW)
    dispatcher.sweep(now=NOW)
    assert SweepPulse.objects.get().ended_at == NOW
    assert list(DispatcherPulse.objects.values_list("name", flat=True)) == ["here"]
