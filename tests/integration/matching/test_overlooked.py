"""The sweep repairs what slipped past the outbox (reliability plan, row 9), and nothing else."""

from datetime import timedelta

import pytest
from django.db.models import F
from django.utils import timezone

from matching import overlooked, receivers
from matching.models import Alert, Job, Need
from parts import services as part_services
from parts.models import Part
from parts.services import PartFacts
from tests.factories import TODAY, Bench
from workshop import dispatcher
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db
MODEL = "W7-60 R1 W"


def lose_events() -> None:
    assert OutboxEvent.objects.unscoped().filter(done_at__isnull=True).delete()[0]


def sweep(bench: Bench) -> int:
    mended = dispatcher.sweep(now=timezone.now())
    assert mended.failed == 0
    bench.drain()
    return overlooked.repair(timezone.now())


def told(bench: Bench) -> set[tuple[object, object, str | None]]:
    rows = Alert.of(bench.workshop).filter(news="found")
    return set(rows.values_list("need", "arrival", "part__donor__ref"))


def test_a_machine_whose_event_is_lost_is_matched(bench: Bench) -> None:
    bench.need(MODEL, technician=bench.technician)
    bench.drain()
    bench.donor(MODEL, ref="D-1")
    lose_events()
    bench.drain()
    assert not told(bench)
    assert sweep(bench) == 0
    assert {donor for _, _, donor in told(bench)} == {"D-1"}


def test_a_loose_part_whose_event_is_lost_is_matched(bench: Bench) -> None:
    need = bench.need(part_number="BRD-1", technician=bench.technician)
    bench.drain()
    part = part_services.add_loose_part(
        workshop=bench.workshop,
        kind="control-board",
        facts=PartFacts(part_number="BRD-1"),
        received_on=TODAY,
    )
    lose_events()
    assert sweep(bench) == 0
    assert {(n, a) for n, a, _ in told(bench)} == {(need.pk, part.arrival)}


def test_a_need_whose_event_is_lost_is_searched_for(bench: Bench) -> None:
    bench.donor(MODEL)
    bench.drain()
    need = bench.need(MODEL, technician=bench.technician)
    lose_events()
    assert sweep(bench) == 0
    need.refresh_from_db()
    assert need.searched_at is not None
    assert {n for n, _, _ in told(bench)} == {need.pk}


@pytest.mark.parametrize("stock_first", [True, False])
def test_news_that_is_gone_from_the_inbox_is_told_again_once(
    bench: Bench, stock_first: bool
) -> None:
    acts = [lambda: bench.donor(MODEL, ref="D-1"), lambda: bench.need(MODEL)]
    for act in acts if stock_first else acts[::-1]:
        act()
        bench.drain()
    before = told(bench)
    assert before
    Alert.of(bench.workshop).all().delete()
    assert sweep(bench) == 0
    assert told(bench) == before
    # Gone once more it stays gone: somebody, or something, wants it so.
    Alert.of(bench.workshop).all().delete()
    assert sweep(bench) == 0
    assert not told(bench)


def test_where_nothing_was_lost_nothing_is_done(bench: Bench) -> None:
    for _ in range(2):
        bench.need(MODEL)
        bench.donor(MODEL)
        bench.drain()
    assert overlooked.look(timezone.now()) == {}
    events, alerts = OutboxEvent.objects.unscoped().count(), told(bench)
    assert overlooked.repair(timezone.now()) == 0
    assert OutboxEvent.objects.unscoped().count() == events
    assert told(bench) == alerts


def test_what_waits_or_was_given_up_on_is_not_asked_for_again(bench: Bench) -> None:
    bench.need(MODEL)
    bench.donor(MODEL)
    assert overlooked.repair(timezone.now()) == 0  # its events are open
    now = timezone.now()
    waiting = OutboxEvent.objects.unscoped().filter(done_at__isnull=True)
    assert waiting.update(dead_at=now, last_error="X", attempts=8)
    assert overlooked.repair(now) == 0  # a person sees those


def test_what_came_in_long_ago_is_left_alone(bench: Bench) -> None:
    bench.need(MODEL)
    bench.drain()
    bench.donor(MODEL)
    lose_events()
    long_ago = F("recorded_at") - timedelta(days=2)
    Part.of(bench.workshop).update(recorded_at=long_ago)
    Job.of(bench.workshop).update(recorded_at=long_ago)
    assert overlooked.repair(timezone.now()) == 0


def test_another_workshop_is_asked_for_nothing(bench: Bench, other_bench: Bench) -> None:
    for one in (bench, other_bench):
        one.need(MODEL)
    bench.drain()
    for one in (bench, other_bench):
        one.donor(MODEL)
    OutboxEvent.of(bench.workshop).filter(done_at__isnull=True).delete()
    found = overlooked.look(timezone.now())
    assert set(found) == {bench.workshop.pk}
    assert set(Need.of(bench.workshop).values_list("pk", flat=True)).isdisjoint(
        found[bench.workshop.pk].needs
    )


def test_control_without_this_repair_what_is_lost_stays_lost(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    others = [one for one in dispatcher._sweeps if one is not receivers.repair_overlooked]
    assert len(others) == len(dispatcher._sweeps) - 1
    bench.need(MODEL)
    bench.drain()
    bench.donor(MODEL)
    lose_events()
    monkeypatch.setattr(dispatcher, "_sweeps", others)
    dispatcher.sweep(now=timezone.now())
    bench.drain()
    assert not told(bench)


def test_it_asks_as_often_for_many_as_for_few(
    bench: Bench, django_assert_max_num_queries: object
) -> None:
    for number in range(6):
        bench.need(MODEL)
        bench.donor(MODEL, ref=f"D-{number}")
    bench.drain()
    with django_assert_max_num_queries(8):  # type: ignore[operator]
        overlooked.look(timezone.now())
