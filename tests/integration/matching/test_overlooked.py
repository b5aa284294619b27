"""The sweep repairs what slipped past the outbox (reliability plan, row 9), and nothing else."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection, transaction
from django.db.models import F
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from donors import events as donor_events
from matching import events, overlooked, receivers, services
from matching.models import Alert, Job, Match, Need
from matching.services import NeedFacts
from parts import events as part_events
from parts import services as part_services
from parts.models import Part
from parts.services import PartFacts
from tests.factories import TODAY, Bench
from workshop import dispatcher, outbox
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


def add_need(bench: Bench, job: Job) -> Need:
    with transaction.atomic():
        return services.add_needs(job, [NeedFacts(kind="control-board")])[0]


def four_machines_after_a_job(bench: Bench) -> Job:
    job = bench.job(MODEL, kind="drain-pump")
    bench.drain()
    for number in range(4):
        bench.donor(MODEL, ref=f"D-{number}")
        bench.drain()
    return job


def test_a_need_newer_than_its_job_is_told_of_its_best_part_alone(bench: Bench) -> None:
    need = add_need(bench, four_machines_after_a_job(bench))
    bench.drain()
    before = told(bench)
    assert len([one for one in before if one[0] == need.pk]) == 1
    assert Match.of(bench.workshop).filter(need=need).count() == 4
    assert overlooked.repair(timezone.now()) == 0
    assert told(bench) == before


def test_of_a_newer_need_nobody_was_told_of_the_best_part_is_told_once(bench: Bench) -> None:
    need = add_need(bench, four_machines_after_a_job(bench))
    bench.drain()
    before = told(bench)
    Job.of(bench.workshop).update(recorded_at=F("recorded_at") - timedelta(days=2))
    Alert.of(bench.workshop).filter(need=need).delete()
    assert sweep(bench) == 0
    assert told(bench) == before
    Alert.of(bench.workshop).filter(need=need).delete()
    assert sweep(bench) == 0  # nor the second best


def test_what_new_knowledge_finds_is_not_told_of_each(bench: Bench) -> None:
    need = bench.need(MODEL)
    bench.drain()
    for number in range(4):
        bench.donor(MODEL, ref=f"D-{number}")
        bench.drain()
    first = Alert.of(bench.workshop).filter(need=need).order_by("id").first()
    assert first is not None
    with transaction.atomic():
        rematch = {"need_ids": [need.pk]}
        outbox.record(events.NEEDS_REMATCH, workshop_id=bench.workshop.pk, payload=rematch)
    bench.drain()
    # As where only what was learned now makes them fit: of one somebody was told.
    Alert.of(bench.workshop).exclude(pk=first.pk).delete()
    assert overlooked.repair(timezone.now()) == 0


@pytest.mark.parametrize("kind", ["pairs", "parts", "donor", "far"])
def test_what_an_open_event_will_tell_of_is_left_to_it(bench: Bench, kind: str) -> None:
    need = bench.need(MODEL)
    bench.drain()
    donor = bench.donor(MODEL)
    bench.drain()
    Alert.of(bench.workshop).all().delete()
    match = Match.of(bench.workshop).get(need=need)
    payloads: dict[str, tuple[str, dict[str, Any]]] = {
        "pairs": (events.PAIRS_FOUND, {"pairs": [[need.pk, match.part_id]], "tell": "EACH"}),
        "parts": (part_events.PARTS_ARRIVED, {"part_ids": [match.part_id]}),
        "donor": (donor_events.DONOR_RECEIVED, {"donor_id": donor.pk}),
        "far": (events.FAR_LEFT, {"part_ids": [], "need_ids": [], "tell": "EACH"}),
    }
    name, payload = payloads[kind]
    with transaction.atomic():
        outbox.record(name, workshop_id=bench.workshop.pk, payload=payload)
    assert overlooked.look(timezone.now()) == {}
    OutboxEvent.of(bench.workshop).filter(kind=name, done_at=None).delete()
    found = overlooked.look(timezone.now())[bench.workshop.pk]
    assert found.pairs == [(need.pk, match.part_id)]


def test_no_look_reads_a_whole_table_of_needs_or_events(bench: Bench) -> None:
    bench.need(MODEL)
    bench.donor(MODEL)
    with CaptureQueriesContext(connection) as asked:
        overlooked.look(timezone.now())
    wanted = ("workshop_outboxevent", "need.searched_at IS NULL")
    found = [one["sql"] for one in asked if any(said in one["sql"] for said in wanted)]
    assert len(found) == 2
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL enable_seqscan = off")
        verb = "EXPLAIN QUERY PLAN " if connection.vendor == "sqlite" else "EXPLAIN "
        plans = []
        for sql in found:
            cursor.execute(verb + sql)
            plans.append("\n".join(str(row[-1]) for row in cursor.fetchall()))
    for plan in plans:
        assert "Seq Scan" not in plan, plan
        for line in plan.splitlines():
            # An index of what is open or failed holds nothing else: reading all of it is right.
            whole = re.search(r"SCAN (?!\w+ USING (COVERING )?INDEX (need_un|outbox_))", line)
            assert not whole, plan
    if connection.vendor == "postgresql":
        return  # of a few rows any index will do for it
    together = "\n".join(plans)
    for index in ("need_unsearched", "outbox_open", "outbox_dead", "outbox_age"):
        assert index in together, together
