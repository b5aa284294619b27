"""Clocks that are off, processes that stand still, rows and receivers that never end.

Reliability plan, rows 16, 19 and 36.
"""

import json
import signal
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

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
from tests.integration.races.conftest import database_url
from tests.integration.races.sizes import FULL, size
from tests.proxy import PASS, proxying
from tests.running import PYTHON, Running, until
from workshop import dispatcher, errands, leases
from workshop.models import DispatcherPulse, OutboxEvent

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("faults")]


def shifted(service: Running, name: str, *said: object) -> None:
    service.start(name, [PYTHON, "-m", "tests.integration.faults.shifted", *map(str, said)])


def test_clocks_an_hour_apart_tell_nobody_twice_and_hold_nobody_up(
    service: Running, waiting: Waiting, say: Callable[..., None]
) -> None:
    """Three dispatchers: an hour ahead, an hour behind, one whose clock is set again and again."""
    service.start_web(processes=1)
    shifted(service, "ahead", 3600)
    if FULL:
        shifted(service, "behind", -3600)
        shifted(service, "stepped", "stepped")
    arrivals = waiting.arrivals(service)
    begun = time.monotonic()
    count = size(6, 1_000)
    for one in arrivals.stream(count):
        one.join()
    assert len(arrivals.acknowledged) == count
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


def test_control_what_a_clock_ahead_leased_waits_for_its_hour_where_no_lease_is_doubted(
    waiting: Waiting, monkeypatch: pytest.MonkeyPatch
) -> None:
    waiting.bench.donor("W7-60 R1 W", ref="A-1")
    rows = OutboxEvent.objects.unscoped().filter(done_at__isnull=True)
    hour = timezone.now() + timedelta(hours=1)
    rows.update(lease=rows[0].pk, leased_until=hour + timedelta(seconds=20))
    monkeypatch.setattr(leases, "OFF_BY", timedelta(days=1))
    waiting.bench.drain()
    assert waiting.missing(["A-1"]) == {"A-1"}


@pytest.mark.parametrize("by_lease", [False, True], ids=["", "control by the lease"])
def test_two_whose_clocks_are_apart_do_not_take_an_event_from_each_other_for_ever(
    waiting: Waiting, monkeypatch: pytest.MonkeyPatch, by_lease: bool
) -> None:
    """Each takes the other's lease for void. Known bad: only whoever holds the lease may act."""
    waiting.bench.donor("W7-60 R1 W", ref="A-1")
    if by_lease:
        monkeypatch.setattr(dispatcher, "_act_and_close", only_with_the_lease)
    clocks = [timedelta(hours=1), timedelta(hours=-1)]
    claimed: list[leases.Claim] = []
    for turn in range(2 * dispatcher.MOST_ATTEMPTS):
        # One claims, and only then does the other act on what it had claimed before.
        now = timezone.now() + clocks[turn % 2]
        claimed.append(dispatcher._claim(now=now, batch=1))
        if turn and claimed[-2].ids:
            before = claimed[-2]
            dispatcher._handle(before.ids[0], before.lease, now=now)
    assert waiting.missing(["A-1"]) == ({"A-1"} if by_lease else set())


def only_with_the_lease(event_id: Any, lease: Any, kind: str, *, now: datetime) -> bool:
    if not OutboxEvent.objects.unscoped().filter(pk=event_id, lease=lease).exists():
        return True
    return ACT_AND_CLOSE(event_id, lease, kind, now=now)


ACT_AND_CLOSE = dispatcher._act_and_close


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
    assert len(arrivals.acknowledged) == 500
    took = drained(120)
    assert waiting.missing(arrivals.acknowledged) == set()
    assert waiting.doubled() == 0
    say(schedulers=2, workers=2, arrivals=500, drained_in=f"{took:.1f} s", doubled=0)


LIMIT = size(5, 45)  # seconds; well above a beat, which is one second here and 15 in the service


def test_a_dispatcher_that_stands_still_is_noticed(
    service: Running, waiting: Waiting, say: Callable[..., None]
) -> None:
    """SIGSTOP: alive to the machine, dead to the service. /livez says nothing of it.

    The control is the same dispatcher before it is stopped: as long as it beats, all is well.
    """
    service.extra |= {"READY_BEAT_SECONDS": str(LIMIT)}
    service.start_web(processes=1)
    shifted(service, "dispatcher", 0, *size((1,), ()))
    until(lambda: readiness(service)[0] == 200, seconds=90)
    for beat in range(2):
        last = DispatcherPulse.objects.get().beat_at
        until(lambda last=last: DispatcherPulse.objects.get().beat_at > last, seconds=60)
        assert readiness(service)[0] == 200, f"beat {beat}"
    service.signal("dispatcher", signal.SIGSTOP)
    waiting.bench.donor("W7-60 R1 W", ref="A-1")
    took = until(lambda: readiness(service)[0] == 503, seconds=60)
    assert service.alive()
    said = readiness(service)[1]
    assert [what for what, how in said.items() if how != "ok"] == ["dispatcher"]
    _, figures = service.ask("GET", "/metrics")
    oldest = float(figures.split(b"\nworkshop_oldest_undelivered_seconds ")[1].split(b"\n")[0])
    assert oldest > 0
    service.signal("dispatcher", signal.SIGCONT)
    until(lambda: readiness(service)[0] == 200, seconds=90)
    drained(60)
    say(noticed_after=f"{took:.1f} s", limit=f"{LIMIT} s", oldest_seconds=f"{oldest:.1f}")


def readiness(service: Running) -> tuple[int, dict[str, str]]:
    status, said = service.ask("GET", "/readyz")
    return status, json.loads(said)["checks"]


@pytest.mark.redis
@pytest.mark.skipif(not FULL, reason="at full counts only: a minute for each")
@pytest.mark.parametrize("name", ["worker", "beat"])
def test_a_worker_or_beat_that_stands_still_is_noticed(
    service: Running, waiting: Waiting, say: Callable[..., None], name: str
) -> None:
    """A beat that stands still is stood in for by the worker: no news waits, and it is said so."""
    if connection.vendor == "sqlite":
        pytest.skip("Celery is for the scaled-out service, which has PostgreSQL")
    service.start_scaled_out()
    until(lambda: readiness(service)[0] == 200, seconds=120)
    service.signal(name, signal.SIGSTOP)
    if name == "worker":
        took = until(lambda: readiness(service)[0] == 503, seconds=60)
        assert service.alive()
    else:
        ref = waiting.arrivals(service).send_one()
        took = until(lambda: not waiting.missing([ref]), seconds=60)
    service.signal(name, signal.SIGCONT)
    until(lambda: readiness(service)[0] == 200, seconds=90)
    say(stood_still=name, noticed_or_stood_in_for_after=f"{took:.1f} s")


def test_a_database_that_falls_silent_is_noticed_and_restarts_nothing(
    service: Running, waiting: Waiting
) -> None:
    """The line to the database is held up: not ready, yet alive. With the line, ready again."""
    if connection.vendor == "sqlite":
        pytest.skip("SQLite has no line that could be held up")
    parts = urlsplit(database_url())
    silent = threading.Event()

    def hold(piece: bytes, way: str) -> str:
        while silent.is_set():
            time.sleep(0.05)
        return PASS

    with proxying(parts.port or 5432, hold) as proxy:
        host = f"{parts.username}@127.0.0.1:{proxy.port}"
        service.database = parts._replace(netloc=host).geturl()
        service.start_web(processes=1)
        assert readiness(service)[1]["database"] == "ok"
        silent.set()
        until(lambda: readiness(service)[1] == {"database": "does not answer"}, seconds=60)
        assert service.alive()
        silent.clear()
        until(lambda: readiness(service)[1]["database"] == "ok", seconds=60)


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


@pytest.mark.any_engine
def test_control_one_place_for_all_receivers_is_kept_by_the_one_that_hangs(
    waiting: Waiting, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Known bad: all are sent to in turn. What hangs then holds up whoever comes after it."""
    settings.WEBHOOKS_TO_LOOPBACK = True
    monkeypatch.setattr(errands, "PLACES", 1)
    bench = waiting.bench
    with receiving() as hangs, receiving() as fine:
        hangs.answer = lambda _: hangs.stop.wait(30) and None
        for name, receiver in (("hangs", hangs), ("fine", fine)):
            webhooks.add_endpoint(
                workshop=bench.workshop,
                member=bench.members["owner"],
                name=name,
                url=receiver.url,
                now=NOW,
            )
        with transaction.atomic():
            inbox.write(_alerts(bench, waiting, 1))
        dispatcher.drain()
        Delivery.of(bench.workshop).filter(endpoint__name="hangs").update(
            available_at=NOW - timedelta(days=1)  # its turn is first
        )
        runner = errands.Runner()
        runner.step()
        until(lambda: hangs.got, seconds=30)
        runner.step()
        assert not fine.got
        assert next(iter(runner.under_way.values())).target.startswith("webhook ")
        hangs.stop.set()
        until(lambda: runner.step() and fine.got, seconds=30)
        runner.finish()


@pytest.mark.any_engine
def test_control_without_putting_it_off_a_bad_row_holds_up_those_behind_it(
    waiting: Waiting, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Known bad: an error ends the round, and the bad row is first again in the next."""
    OutboxEvent.objects.create(
        workshop=waiting.bench.workshop,
        kind="donors.donor-received",
        payload={"donor": "none"},
        recorded_at=NOW - timedelta(days=1),
        available_at=NOW - timedelta(days=1),
    )
    waiting.bench.donor("W7-60 R1 W", ref="A-1")

    def fail(event_id: Any, lease: Any, error: Exception, *, now: datetime) -> None:
        OutboxEvent.objects.unscoped().filter(lease=lease).update(lease=None, leased_until=None)
        raise error

    with monkeypatch.context() as known_bad:
        known_bad.setattr(dispatcher, "_postpone", fail)
        for _ in range(3):
            with pytest.raises(KeyError):
                dispatcher.run_once(now=timezone.now())
        assert waiting.missing(["A-1"]) == {"A-1"}
    assert dispatcher.drain().failed == 1
    assert waiting.missing(["A-1"]) == set()


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


@pytest.mark.any_engine
def test_the_pulse_says_who_is_alive(waiting: Waiting) -> None:
    now = timezone.now()
    within = timedelta(seconds=15)
    assert not dispatcher.alive(now=now, within=within)
    DispatcherPulse.objects.create(name="other", beat_at=now)
    assert dispatcher.alive(now=now, within=within)
    assert not dispatcher.alive(now=now, within=within, but_for="other")
    assert not dispatcher.alive(now=now + timedelta(minutes=1), within=within)
