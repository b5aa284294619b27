"""Reminders of waiting jobs: the right day, once, the latest only. Days counted by hand."""

from datetime import date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from matching import events, reminders, waits
from matching.echo import webhooks
from matching.models import Alert, Delivery, Job, Match, WaitExtension
from tests.factories import NOW, TODAY, Bench
from workshop import dispatcher
from workshop.errors import Conflict, InputRefused
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db


def sweep(after: int) -> int:
    return reminders.tell_what_is_due(now=NOW + timedelta(days=after))


def told(bench: Bench) -> list[tuple[str, str]]:
    rows = Alert.of(bench.workshop).filter(news__in=Alert.OF_A_JOB).order_by("about")
    return [(str(one.news), one.about) for one in rows]


def day(after: int) -> str:
    return (TODAY + timedelta(days=after)).isoformat()


def extend(bench: Bench, job: Job, until: date, now: datetime = NOW) -> Job:
    return waits.set_end(
        workshop=bench.workshop, ref=job.ref, until=until, member=bench.technician, now=now
    )


@pytest.fixture
def job(bench: Bench) -> Job:
    return bench.job(technician=bench.technician)


def test_day_by_day(bench: Bench, job: Job) -> None:
    """Common practice (practice notes of the trade): reviews at 2 and 4 weeks, 30 days in all."""
    for after in range(40):
        for _ in range(2):
            sweep(after)
        expected = [
            (news, day(due))
            for due, news in ((14, "review"), (28, "review"), (31, "over"))
            if due <= after
        ]
        assert told(bench) == expected
    assert Job.of(bench.workshop).get().tell_next_on is None


def test_the_dispatchers_sweep_runs_it(bench: Bench, job: Job) -> None:
    dispatcher.sweep(now=NOW + timedelta(days=14))
    assert told(bench) == [("review", day(14))]


def test_a_server_off_for_long_tells_the_latest_only(bench: Bench, job: Job) -> None:
    sweep(90)
    sweep(91)
    assert told(bench) == [("over", day(31))]
    [alert] = Alert.of(bench.workshop).filter(job=job)
    assert (alert.recipient, alert.need, alert.part, alert.arrival) == (
        bench.technician,
        None,
        None,
        None,
    )


def test_a_job_nobody_took_is_told_to_every_technician(bench: Bench) -> None:
    bench.job()
    sweep(14)
    assert Alert.of(bench.workshop).get().recipient == bench.technician


@pytest.mark.parametrize("state", ["refused", "done", "broken"])
def test_closed_jobs_are_not_told_of(bench: Bench, job: Job, state: str) -> None:
    Job.of(bench.workshop).update(state=state)
    assert sweep(100) == 0
    assert told(bench) == []


def test_waiting_longer_brings_new_reminders_and_clears_what_was_told(
    bench: Bench, job: Job
) -> None:
    sweep(31)
    assert waits.count_over(bench.workshop, on=TODAY + timedelta(days=31)) == 1
    later = NOW + timedelta(days=32)
    job = extend(bench, job, TODAY + timedelta(days=62), later)
    assert waits.count_over(bench.workshop, on=TODAY + timedelta(days=32)) == 0
    assert not Alert.of(bench.workshop).filter(read_at__isnull=True).exists()
    for after in range(32, 70):
        sweep(after)
    assert told(bench) == [
        ("over", day(31)),
        ("review", day(46)),
        ("review", day(60)),
        ("over", day(63)),
    ]
    row = WaitExtension.of(bench.workshop).get()
    assert (row.before, row.until, row.by) == (
        TODAY + timedelta(days=30),
        TODAY + timedelta(days=62),
        bench.technician,
    )


@pytest.mark.parametrize(
    ("after", "why"), [(-1, "over already"), (30, "waits until .* already"), (181, "more than")]
)
def test_an_end_that_cannot_be_is_refused(bench: Bench, job: Job, after: int, why: str) -> None:
    with pytest.raises(InputRefused, match=why) as refused:
        extend(bench, job, TODAY + timedelta(days=after))
    assert set(refused.value.fields) == {"wait_until"}


def test_a_wait_is_made_shorter_down_to_today(bench: Bench, job: Job) -> None:
    for after in (7, 0):
        extend(bench, job, TODAY + timedelta(days=after))
    job.refresh_from_db()
    assert job.wait_until == TODAY
    assert waits.count_over(bench.workshop, on=TODAY) == 0
    sweep(1)
    assert told(bench) == [("over", day(1))]


def test_a_closed_job_waits_for_nothing(bench: Bench, job: Job) -> None:
    bench.refuse(job.ref, now=NOW)
    with pytest.raises(Conflict):
        extend(bench, job, TODAY + timedelta(days=60))


def test_nothing_closes_by_itself_and_what_is_offered_stays(bench: Bench, job: Job) -> None:
    bench.donor()
    bench.drain()
    before = Match.of(bench.workshop).count()
    assert before
    sweep(60)
    job.refresh_from_db()
    assert job.state == Job.State.OPEN
    assert Match.of(bench.workshop).count() == before


def test_a_workshop_sets_its_own_days(bench: Bench, job: Job) -> None:
    waits.set_review_days(workshop=bench.workshop, first=7, second=21, wait_days=40, on=TODAY)
    Job.of(bench.workshop).update(tell_next_on=TODAY, wait_until=None)
    for after in range(50):
        sweep(after)
    assert told(bench) == [("review", day(7)), ("review", day(21)), ("over", day(41))]
    with pytest.raises(InputRefused) as refused:
        waits.set_review_days(workshop=bench.workshop, first=21, second=21, wait_days=0, on=TODAY)
    assert set(refused.value.fields) == {"second_review_days", "wait_days"}


def test_the_same_queries_however_many_are_due(bench: Bench) -> None:
    def counted(jobs: int, after: int) -> int:
        for _ in range(jobs):
            bench.job(technician=bench.technician)
        Job.of(bench.workshop).update(tell_next_on=TODAY)
        with CaptureQueriesContext(connection) as seen:
            sweep(after)
        return len(seen)

    assert counted(1, 14) == counted(9, 14) <= 12


def test_the_sweep_reads_through_its_index(bench: Bench, job: Job) -> None:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL enable_seqscan = off")
        verb = "EXPLAIN QUERY PLAN " if connection.vendor == "sqlite" else "EXPLAIN "
        sql, values = reminders.due_by(TODAY)[:200].query.sql_with_params()
        cursor.execute(verb + sql, values)
        plan = " ".join(str(row) for row in cursor.fetchall())
    assert "job_to_tell_of" in plan
    assert "TEMP B-TREE" not in plan


def test_reminders_are_passed_on_at_once_workshop_by_workshop(
    bench: Bench, other_bench: Bench
) -> None:
    """By the event the inbox records, not with the next sweep (docs/echo.md: at once)."""
    for one in (bench, other_bench, bench):
        one.job(technician=one.technician)
    webhooks.add_endpoint(
        workshop=bench.workshop,
        member=bench.members["owner"],
        name="counter",
        url="https://counter.example/alerts",
        now=NOW,
    )
    assert sweep(14) == 3
    written = OutboxEvent.objects.unscoped().filter(kind=events.ALERTS_WRITTEN)
    assert [one.workshop_id for one in written] == [bench.workshop.pk]
    assert Alert.of(other_bench.workshop).get().echoed
    dispatcher.drain(now=lambda: NOW + timedelta(days=14))
    assert Delivery.of(bench.workshop).count() == 2
