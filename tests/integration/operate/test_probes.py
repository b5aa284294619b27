"""/livez, /readyz and /metrics: what each says, when it says no, who may ask, how long it takes."""

import threading
import time
from datetime import timedelta

import pytest
from django.db import OperationalError
from django.test import Client
from django.utils import timezone
from prometheus_client.parser import text_string_to_metric_families

from tests.factories import make_bench
from workshop import dispatcher, health, metrics
from workshop.models import DispatcherPulse, OutboxEvent, SweepPulse

TOKEN = "a-token-of-more-than-20-characters"


@pytest.fixture
def running(transactional_db: None) -> None:
    """A dispatcher that beats and a sweep that has run."""
    now = timezone.now()
    dispatcher.beat(now=now, handled=1)
    SweepPulse.objects.create(ended_at=now)


def ready(client: Client) -> tuple[int, dict[str, str]]:
    answer = client.get("/readyz")
    body = answer.json()
    assert body["ready"] == (answer.status_code == 200)
    return answer.status_code, body["checks"]


def test_alive_asks_nothing(client: Client) -> None:
    """No database is allowed in this test; any host, plain http and no sign-in will do."""
    answer = client.get("/livez", headers={"host": "10.0.0.7"})
    assert (answer.status_code, answer.content) == (200, b"alive\n")
    assert answer["Cache-Control"] == "no-store"
    assert client.post("/livez").status_code == 405


def test_ready_when_all_is_well(running: None, client: Client) -> None:
    assert ready(client) == (
        200,
        {"database": "ok", "tables": "ok", "dispatcher": "ok", "events": "ok", "sweep": "ok"},
    )


def test_not_ready_before_the_first_beat_and_sweep(transactional_db: None, client: Client) -> None:
    status, said = ready(client)
    assert status == 503
    assert said["dispatcher"] == "there has been no beat of a dispatcher yet"
    assert said["sweep"] == "there has been no sweep yet"


def test_a_dispatcher_that_stands_still_is_noticed_within_a_minute(
    running: None, client: Client
) -> None:
    DispatcherPulse.objects.update(beat_at=timezone.now() - timedelta(seconds=50))
    status, said = ready(client)
    assert status == 503
    assert said["dispatcher"].startswith("the last beat of a dispatcher was 5")
    assert said["sweep"] == "ok"


def test_a_sweep_that_stands_still_is_noticed(running: None, client: Client) -> None:
    SweepPulse.objects.update(ended_at=timezone.now() - timedelta(seconds=400))
    status, said = ready(client)
    assert (status, said["dispatcher"]) == (503, "ok")
    assert said["sweep"].startswith("the last sweep was 40")


def test_news_that_nobody_acts_on_is_noticed_but_not_what_is_tried_again_later(
    running: None, client: Client
) -> None:
    bench, now = make_bench("millrace"), timezone.now()
    OutboxEvent.objects.unscoped().delete()
    event = OutboxEvent.objects.create(
        workshop=bench.workshop,
        kind="parts.parts-arrived",
        recorded_at=now - timedelta(seconds=900),
        available_at=now + timedelta(seconds=60),
        attempts=6,
    )
    assert ready(client)[0] == 200
    OutboxEvent.of(bench.workshop).filter(pk=event.pk).update(
        available_at=now - timedelta(seconds=800)
    )
    status, said = ready(client)
    assert status == 503
    assert said["events"].startswith("news has been due for 80")
    OutboxEvent.of(bench.workshop).filter(pk=event.pk).update(dead_at=now)
    assert ready(client)[0] == 200  # a person sees it; restarting would not help


def test_a_silent_database_costs_a_probe_its_limit_and_one_thread(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked ten times at once while the database hangs: one thread waits, all are told no."""
    release = threading.Event()
    looks: list[int] = []

    def hang() -> health.Seen:
        looks.append(1)
        release.wait(30)
        return health.Seen(True, None)

    monkeypatch.setattr(health, "patient", health.Patient(hang, seconds=0.3))
    found: list[tuple[int, dict[str, str]]] = []
    asking = [threading.Thread(target=lambda: found.append(ready(Client()))) for _ in range(10)]
    begun = time.monotonic()
    for one in asking:
        one.start()
    for one in asking:
        one.join(10)
    assert time.monotonic() - begun < 10  # without the limit: 30 s
    assert found == [(503, {"database": "does not answer"})] * 10
    assert client.get("/livez").status_code == 200
    assert len(looks) == 1
    release.set()


def test_a_broken_database_says_no_more_than_that(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken() -> health.Seen:
        raise OperationalError("host db.internal user bench password hunter2")

    monkeypatch.setattr(health, "patient", health.Patient(broken))
    monkeypatch.setattr(metrics, "patient", health.Patient(broken))
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["checks"] == {"database": "does not answer"}
    text = client.get("/metrics").content.decode()
    assert "workshop_database_up 0.0" in text
    assert "workshop_open_events" not in text
    assert "hunter2" not in text + answer.content.decode()


def figures(client: Client, **headers: str) -> dict[str, float]:
    """Return the samples, read by the library's own parser of the exposition format."""
    answer = client.get("/metrics", headers=headers)
    assert answer.status_code == 200
    families = text_string_to_metric_families(answer.content.decode())
    return {
        sample.name: sample.value
        for family in families
        for sample in family.samples
        if not sample.labels
    }


def test_the_figures_of_the_work(running: None, client: Client) -> None:
    bench, now = make_bench("millrace"), timezone.now()
    OutboxEvent.objects.unscoped().delete()
    for seconds in (30, 600):
        OutboxEvent.objects.create(
            workshop=bench.workshop, kind="k", recorded_at=now - timedelta(seconds=seconds)
        )
    bench.dead_letter()
    found = figures(client)
    assert found["workshop_database_up"] == 1
    assert found["workshop_open_events"] == 2
    assert 600 <= found["workshop_oldest_undelivered_seconds"] < 660
    assert found["workshop_dead_letters"] == 1
    assert found["workshop_dispatchers_alive"] == 1
    assert 0 <= found["workshop_sweep_age_seconds"] < 60
    assert found["workshop_sweep_failed_repairs"] == 0
    assert 0 <= found["workshop_dispatcher_beat_age_seconds"] < 60


def series() -> dict[tuple[str, str, str], float]:
    return {
        (sample.labels["view"], sample.labels["method"], sample.labels["status"]): sample.value
        for family in metrics._requests.collect()
        for sample in family.samples
        if sample.name.endswith("_count")
    }


@pytest.mark.django_db
def test_latencies_are_counted_by_view_with_bounded_labels(client: Client) -> None:
    before = series()
    for number in range(30):
        client.get(f"/nowhere-{number}/?q=secret-{number}")
        client.get(f"/jobs/J-{number}/")
    client.generic("BREW", "/sign-in/")
    client.get("/livez")
    new = {key: value - before.get(key, 0) for key, value in series().items()}
    new = {key: value for key, value in new.items() if value}
    assert new == {
        ("none", "GET", "4xx"): 30,
        ("job", "GET", "3xx"): 30,
        ("sign-in", "other", "4xx"): 1,
    }


@pytest.mark.parametrize(
    ("setting", "asked", "may"),
    [
        ({}, {}, True),
        ({}, {"REMOTE_ADDR": "::1"}, True),
        ({}, {"REMOTE_ADDR": "10.0.0.7"}, False),
        ({}, {"REMOTE_ADDR": ""}, False),
        # A proxy on this machine speaks for anybody.
        ({}, {"HTTP_X_FORWARDED_FOR": "127.0.0.1"}, False),
        ({}, {"HTTP_FORWARDED": "for=127.0.0.1"}, False),
        ({"BEHIND_PROXY": True}, {}, False),
        ({"METRICS_TOKEN": TOKEN}, {}, False),
        ({"METRICS_TOKEN": TOKEN}, {"HTTP_AUTHORIZATION": "Bearer x"}, False),
        ({"METRICS_TOKEN": TOKEN}, {"HTTP_AUTHORIZATION": "Bearer \u00fc"}, False),
        ({"METRICS_TOKEN": TOKEN}, {"HTTP_AUTHORIZATION": TOKEN}, False),
        (
            {"METRICS_TOKEN": TOKEN, "BEHIND_PROXY": True},
            {"HTTP_AUTHORIZATION": f"Bearer {TOKEN}", "REMOTE_ADDR": "10.0.0.7"},
            True,
        ),
    ],
)
def test_who_may_read_the_figures(
    setting: dict[str, object],
    asked: dict[str, str],
    may: bool,
    settings,
    client: Client,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(metrics, "patient", health.Patient(lambda: None))
    for name, value in setting.items():
        setattr(settings, name, value)
    answer = client.get("/metrics", **asked)
    assert answer.status_code == (200 if may else 403)
    assert ("workshop_database_up" in answer.content.decode()) == may
    assert TOKEN not in answer.content.decode()
