"""News goes before what is reckoned anew, and what was done long ago is forgotten."""

from datetime import timedelta

import pytest
from django.db import transaction
from django.utils import timezone

from donors.events import CATALOGUE_CHANGED, DONOR_CHANGED, DONOR_RECEIVED
from matching.events import ALERTS_WRITTEN
from matching.models import Alert
from tests.factories import Bench
from workshop import dispatcher, outbox
from workshop.models import OutboxEvent, Replay

pytestmark = pytest.mark.django_db


def record(bench: Bench, kind: str, **payload: int) -> OutboxEvent:
    with transaction.atomic():
        return outbox.record(kind, workshop_id=bench.workshop.pk, payload=payload)


def done_in_order() -> list[str]:
    rows = OutboxEvent.objects.unscoped().filter(done_at__isnull=False)
    return list(rows.order_by("done_at").values_list("kind", flat=True))


def test_a_machine_that_comes_in_is_told_of_before_thousands_are_read_again(bench: Bench) -> None:
    bench.need("W7-60 R1 W")
    bench.drain()
    OutboxEvent.objects.unscoped().all().delete()
    for _ in range(30):
        record(bench, CATALOGUE_CHANGED)
    bench.donor("W7-60 R1 W")
    claims = 0
    while claims < 4:
        claims += 1
        dispatcher.run_once(now=timezone.now(), batch=1)
        if Alert.of(bench.workshop).exists():
            break
    # At worst the claim on which background work had its turn came first.
    assert claims <= 2
    assert OutboxEvent.of(bench.workshop).filter(background=True, done_at=None).count() >= 28


def test_what_background_work_records_waits_too_but_alerts_do_not(bench: Bench) -> None:
    event = record(bench, CATALOGUE_CHANGED)
    assert event.background
    with outbox.handling(event):
        assert record(bench, DONOR_CHANGED, donor_id=1).background
        assert not record(bench, ALERTS_WRITTEN).background
    assert not record(bench, DONOR_CHANGED, donor_id=1).background
    assert not record(bench, DONOR_RECEIVED, donor_id=1).background


def test_background_work_gets_its_turn_while_news_keeps_coming(bench: Bench) -> None:
    OutboxEvent.objects.unscoped().all().delete()
    record(bench, CATALOGUE_CHANGED)
    for _ in range(dispatcher.BACKGROUND_TURN + 1):
        record(bench, ALERTS_WRITTEN)
    for _ in range(dispatcher.BACKGROUND_TURN):
        dispatcher.run_once(now=timezone.now(), batch=1)
    assert CATALOGUE_CHANGED in done_in_order()


def test_events_done_long_ago_are_forgotten_some_at_a_time(
    bench: Bench, settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = timezone.now()
    OutboxEvent.objects.unscoped().all().delete()
    old, fresh, waits = (record(bench, ALERTS_WRITTEN) for _ in range(3))
    replayed = record(bench, ALERTS_WRITTEN)
    dead = bench.dead_letter()
    rows = OutboxEvent.objects.unscoped()
    rows.filter(pk__in=[old.pk, replayed.pk]).update(done_at=now - timedelta(days=91))
    rows.filter(pk=fresh.pk).update(done_at=now - timedelta(days=89))
    Replay.objects.create(workshop=bench.workshop, event=replayed, at=now, gave_up_at=now)
    assert dispatcher.forget_done_events(now) == 1
    assert set(rows.values_list("pk", flat=True)) == {fresh.pk, waits.pk, replayed.pk, dead.pk}
    monkeypatch.setattr(dispatcher, "FORGET_AT_ONCE", 2)
    rows.filter(pk=fresh.pk).delete()
    for _ in range(3):
        record(bench, ALERTS_WRITTEN)
    rows.exclude(pk__in=[replayed.pk, dead.pk]).update(done_at=now - timedelta(days=100))
    assert [dispatcher.forget_done_events(now) for _ in range(3)] == [2, 2, 0]
    settings.KEEP_EVENTS_DAYS = 1000
    assert dispatcher.forget_done_events(now) == 0


def test_an_alert_is_not_told_again_when_its_event_is_forgotten(bench: Bench) -> None:
    """What keeps it from being told twice is the inbox row, never the event."""
    bench.need("W7-60 R1 W")
    donor = bench.donor("W7-60 R1 W")
    bench.drain()
    told = Alert.of(bench.workshop).count()
    OutboxEvent.objects.unscoped().all().delete()
    record(bench, DONOR_RECEIVED, donor_id=donor.pk)
    bench.drain()
    assert Alert.of(bench.workshop).count() == told > 0


def test_a_delivery_carries_the_id_of_the_request_it_goes_back_to(bench: Bench) -> None:
    from workshop import tracing

    bench.webhook()
    bench.need("W7-60 R1 W")
    bench.drain()
    with tracing.following("request-of-the-counter"):
        bench.donor("W7-60 R1 W")
    bench.drain()
    alert = Alert.of(bench.workshop).get()
    assert alert.request_id == "request-of-the-counter"
    assert alert.echoes.get().delivery.request_id == "request-of-the-counter"
