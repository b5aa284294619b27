"""Several dispatchers pass alerts on at once: none is lost, none is passed on twice."""

from email import message_from_bytes
from pathlib import Path
from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone

from matching import inbox
from matching.echo import webhooks
from matching.echo.choices import Choices
from matching.models import Alert, DeliveredAlert, Delivery
from tests.factories import NOW, Bench, make_bench
from tests.integration.matching.echo.conftest import confirmed
from tests.integration.matching.echo.receiver import receiving
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size
from workshop import dispatcher

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("races")]

ALERTS, PROCESSES = size(24, 400), 3


def told(bench: Bench, number: int) -> list[str]:
    """Write alerts, every third without an event, so that only the sweep finds it."""
    job = bench.job(technician=bench.technician)
    bench.drain()
    ids = []
    for day in range(number):
        alert = Alert(
            workshop=bench.workshop,
            recipient=bench.technician,
            news="review",
            about=f"day {day}",
            job=job,
            summary=f"{job.ref}: day {day}",
            told_at=timezone.now(),
        )
        with transaction.atomic():
            if day % 3:
                inbox.write([alert])
            else:
                Alert.objects.bulk_create([alert])
        ids.append(str(alert.pk))
    return ids


def endpoint(bench: Bench, url: str) -> None:
    webhooks.add_endpoint(
        workshop=bench.workshop, member=bench.members["owner"], name="x", url=url, now=NOW
    )


@pytest.fixture
def loopback(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.WEBHOOKS_TO_LOOPBACK = True
    monkeypatch.setenv("WEBHOOKS_TO_LOOPBACK", "1")


def test_every_alert_is_sent_once_to_each_target(
    race: Race, loopback: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("DATA_DIR", str(tmp_path))
    monkeypatch.setenv("EMAIL_BACKEND", "django.core.mail.backends.filebased.EmailBackend")
    bench = make_bench("millrace")
    confirmed(bench.technician, Choices(mail_on=True, address="a@b.example"))
    with receiving() as receiver:
        endpoint(bench, receiver.url)
        endpoint(bench, f"{receiver.url}/2")
        ids = told(bench, ALERTS)
        done = race([{"task": "echo"}] * PROCESSES)
    assert [one["failed"] for one in done] == [0] * PROCESSES
    assert len(receiver.ids) == len(set(receiver.ids)) == 2 * ALERTS
    assert not Alert.objects.unscoped().filter(echoed=False).exists()
    assert not Delivery.objects.unscoped().filter(done_at__isnull=True).exists()
    targets = DeliveredAlert.objects.unscoped().values_list("alert_id", "endpoint_id")
    assert len(targets) == len(set(targets)) == 3 * ALERTS
    assert {str(alert) for alert, _ in targets} == set(ids)
    written = b"".join(file.read_bytes() for file in (tmp_path / "mails").iterdir())
    mails = [message_from_bytes(one) for one in written.split(b"-" * 79) if one.strip()]
    seen = [mail["Message-ID"] for mail in mails]
    assert len(seen) == len(set(seen)) == Delivery.of(bench.workshop).filter(channel="mail").count()
    text = b" ".join(mail.get_payload(0).get_payload(decode=True) for mail in mails).decode()
    for day in range(ALERTS):
        assert text.count(f": day {day}\n") == 1
    assert sum(one["tried"] for one in done) == 2 * ALERTS + len(mails)


def test_control_without_the_lock_two_settle_the_same_and_the_database_refuses_one(
    race: Race, loopback: None
) -> None:
    bench = make_bench("millrace")
    endpoint(bench, "http://127.0.0.1:9/")
    told(bench, 5)
    done = race([{"task": "settle_naively"}] * 2)
    assert sorted(one["written"] for one in done) == [0, 5]
    assert sum(one["refused"] for one in done) == 1
    assert Delivery.objects.unscoped().count() == 5


def test_control_without_a_lease_everything_is_sent_twice(race: Race, loopback: None) -> None:
    bench = make_bench("millrace")
    with receiving() as receiver:
        endpoint(bench, receiver.url)
        told(bench, 5)
        dispatcher.drain()
        dispatcher.sweep(now=timezone.now())
        race([{"task": "send_naively"}] * 2)
    assert len(receiver.ids) == 10
    assert len(set(receiver.ids)) == 5
