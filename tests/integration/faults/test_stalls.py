"""Clocks that are off, processes that stand still, rows and receivers that never end.

Reliability plan, rows 16, 19 and 36.
"""

import json
import signal
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.conf import settings as site
from django.db import connection, transaction
from django.utils import timezone

from matching import inbox
from matching.echo import webhooks
from matching.models import Alert, Delivery
from tests.factories import NOW, Bench
from tests.integration.faults.conftest import Waiting, drained
from tests.integration.matching.echo.receiver import dripping, receiving
from tests.integration.races.sizes import FULL, size
from tests.running import PYTHON, Running, until
from workshop import dispatcher, errands
from workshop.models import DispatcherPulse, OutboxEvent

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("faults")]


def shifted(service: Running, name: str, seconds: int) -> None:
    service.start(name, [PYTHON, "-m", "tests.integration.faults.shifted", str(seconds)])


def test_clocks_an_hour_apart_tell_nobody_twice_and_hold_nobody_up(
    service: Running, waiting: Waiting, say: Callable[..., None]
) -> None:
    """Three dispatchers: an hour ahead, an hour behind, one whose clock is set again and again."""
    service.start_web(processes=1)
    shifted(service, "ahead", 3600)
    if FULL:
        shifted(service, "behind", -3600)
        shifted(service, "stepped", 0)
    arrivals = waiting.arrivals(service)
    begun = time.monotonic()
    for one in arrivals.stream(size(6, 1_000)):
        one.join()
    while FULL and time.monotonic() < begun + 300:
        arrivals.send_one()
        time.sleep(1)
    took = drained(120)
    assert waiting.missing(arrivals.acknowledged) == set()
    assert waiting.doubled() == 0
    say(arrivals=len(arrivals.acknowledged), drained_in=f"{took:.1f} s", doubled=0)


def test_what_a_clock_ahead_wrote_or_leased_is_taken_up(waiting: Waiting) -> None:
    """An hour back: what was recorded and leased before lies in the future, and is due."""
    waiting.bench.donor("W7-60 R1 W", ref="A-1")
    rows = OutboxEvent.objects.unscoped().filter(done_at__isnull=True)
    hour = timezone.now() + timedelta(hours=1)
    rows.update(available_at=hour, lease=rows[0].pk, leased_until=hour + timedelta(seconds=20))
    waiting.bench.drain()
    assert waiting.missing(["A-1"]) == set()


@pytest.mark.redis
def test_two_schedulers_and_two_workers_tell_nobody_twice(
    service: Running, waiting: Waiting, say: Callable[..., None]
) -> None:
    if connection.vendor == "sqlite":
        pytest.skip("Celery is for the scaled-out service, which has PostgreSQL")
    if not FULL:
        pytest.skip("at full counts only: the quick ones have two dispatchers (test_kills)")
    service.start_redis()
    for number in (1, 2):
        service.start_beat(f"beat{number}")
        service.start_worker(f"worker{number}")
    service.start_web(processes=1)
    arrivals = waiting.arrivals(service)
    for one in arrivals.stream(500):
        one.join()
    took = drained(120)
    assert waiting.missing(arrivals.acknowledged) == set()
    assert waiting.doubled() == 0
    say(schedulers=2, workers=2, arrivals=500, drained_in=f"{took:.1f} s", doubled=0)


def test_a_dispatcher_that_stands_still_is_noticed(
    service: Running, waiting: Waiting, say: Callable[..., None]
) -> None:
    """SIGSTOP: alive to the machine, dead to the service. /livez says nothing of it."""
    limit = size(4, 45)
    service.extra |= {"READY_BEAT_SECONDS": str(max(limit, 20) if FULL else limit)}
    service.start_web(processes=1)
    service.start_dispatcher()
    until(lambda: service.ask("GET", "/readyz")[0] == 200, seconds=90)
    service.signal("dispatcher", signal.SIGSTOP)
    waiting.bench.donor("W7-60 R1 W", ref="A-1")
    took = until(lambda: service.ask("GET", "/readyz")[0] == 503, seconds=60)
    assert service.alive()
    _, said = service.ask("GET", "/readyz")
    assert "dispatcher" in json.loads(said)["checks"]
    _, figures = service.ask("GET", "/metrics")
    oldest = float(figures.split(b"\nworkshop_oldest_undelivered_seconds ")[1].split(b"\n")[0])
    assert oldest > 0
    service.signal("dispatcher", signal.SIGCONT)
    until(lambda: service.ask("GET", "/readyz")[0] == 200, seconds=90)
    drained(60)
    say(noticed_after=f"{took:.1f} s", limit=f"{limit} s", oldest_seconds=f"{oldest:.1f}")


def test_a_bad_row_and_dead_receivers_hold_nobody_up(
    waiting: Waiting, settings: Any, say: Callable[..., None]
) -> None:
    """One event that always raises, a receiver that hangs and one that never ends, among many."""
    settings.WEBHOOKS_TO_LOOPBACK = True
    bench, good = waiting.bench, size(20, 500)
    with receiving() as fine, receiving() as hangs, receiving() as endless:
        hangs.answer = lambda _: hangs.stop.wait(30) and None
        endless.answer = dripping(endless.stop, endless=b"x" * 1000)
        for name, receiver in (("fine", fine), ("hangs", hangs), ("endless", endless)):
            webhooks.add_endpoint(
                workshop=bench.workshop,
                member=bench.members["owner"],
                name=name,
                url=receiver.url,
                now=NOW,
            )
        with transaction.atomic():
            OutboxEvent.objects.create(
                workshop=bench.workshop, kind="donors.donor-received", payload={"donor": "none"}
            )
            inbox.write(_alerts(bench, waiting, good))
        done = dispatcher.drain()
        assert done.failed == 1  # the bad row, put off
        runner = errands.Runner()
        begun = time.monotonic()
        while len(fine.got) < good:
            assert time.monotonic() < begun + 120
            runner.step()
            runner.wait(0.2)
        took = time.monotonic() - begun
        hangs.stop.set()
        endless.stop.set()
        runner.finish()
    assert len(set(fine.ids)) == good
    rows = Delivery.of(bench.workshop)
    assert not rows.filter(endpoint__name="fine", done_at__isnull=True).exists()
    say(good=good, all_sent_in=f"{took:.1f} s")


def _alerts(bench: Bench, waiting: Waiting, count: int) -> list[Alert]:
    return [
        Alert(
            workshop=bench.workshop,
            recipient=bench.technician,
            news="review",
            about=f"day {day}",
            job=waiting.need.job,
            summary=f"day {day}",
            told_at=timezone.now(),
        )
        for day in range(count)
    ]


def test_what_is_killed_while_it_is_sent_is_sent_again_under_the_same_id(
    service: Running, waiting: Waiting, say: Callable[..., None], settings: Any
) -> None:
    """The receiver has it, the sender dies before it hears so: once more, and told apart by id."""
    times = size(1, 20)
    settings.WEBHOOKS_TO_LOOPBACK = True
    bench = waiting.bench
    service.extra |= {
        "SECRET_KEY": site.SECRET_KEY,  # the webhook's secret is derived from it
        "WEBHOOKS_TO_LOOPBACK": "1",
        "DJANGO_SETTINGS_MODULE": "config.settings.local",
    }
    with receiving() as receiver:
        webhooks.add_endpoint(
            workshop=bench.workshop,
            member=bench.members["owner"],
            name="x",
            url=receiver.url,
            now=NOW,
        )
        for number in range(times):
            receiver.answer = lambda _: receiver.stop.wait(10) and None
            got = len(receiver.got)
            with transaction.atomic():
                [alert] = _alerts(bench, waiting, 1)
                alert.about = f"send {number}"
                inbox.write([alert])
            service.start_dispatcher()
            until(lambda got=got: len(receiver.got) > got, seconds=60)
            service.kill("dispatcher")
            receiver.answer = b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n"
            # Its lease of a minute has run out.
            Delivery.objects.unscoped().filter(done_at__isnull=True).update(
                leased_until=timezone.now() - timedelta(seconds=1)
            )
            service.restart("dispatcher")
            until(lambda got=got: len(receiver.got) > got + 1, seconds=60)
            until(lambda: not Delivery.of(bench.workshop).filter(done_at=None).exists(), seconds=30)
            service.end("dispatcher")
            assert receiver.ids[got] == receiver.ids[got + 1]
    assert len(set(receiver.ids)) == times
    say(kills=times, lost=0, repeats=len(receiver.ids) - times)


def test_the_pulse_says_who_is_alive(waiting: Waiting) -> None:
    now = timezone.now()
    within = timedelta(seconds=15)
    assert not dispatcher.alive(now=now, within=within)
    DispatcherPulse.objects.create(name="other", beat_at=now)
    assert dispatcher.alive(now=now, within=within)
    assert not dispatcher.alive(now=now, within=within, but_for="other")
    assert not dispatcher.alive(now=now + timedelta(minutes=1), within=within)
