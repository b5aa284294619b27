"""The life of an alert as a table: what happens to a part, and what its followers are told.

Two jobs wait for the part; both were alerted when its machine came in. `told` is what the second
job's technician reads after each step, in words of Alert.News.
"""

from collections.abc import Callable
from datetime import datetime, time, timedelta
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import pytest
from django.apps import apps
from django.db import connection, transaction
from django.utils import timezone

from matching import fittings, holds, parting, reopening
from matching.fittings import Report
from matching.models import Alert, Hold, Need, Outcome
from parts import services as part_services
from parts.events import PARTS_CHANGED
from parts.models import BenchTest, Part
from parts.services import record_bench_test
from tests.factories import TODAY, Bench, make_member
from workshop import outbox
from workshop.models import Member, OutboxEvent, Role

pytestmark = pytest.mark.django_db


class World:
    """A part two jobs wait for: one of the technician, one of a second technician."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.second = make_member(bench.workshop, Role.TECHNICIAN, "second-technician")
        self.mine = bench.need("W7-60 R1 W", technician=bench.technician)
        self.theirs = bench.need("W7-60 R1 W", technician=self.second)
        self.part: Part = bench.part(bench.donor("W7-60 R1 W"))
        bench.drain()

    def test(self, verdict: str) -> None:
        record_bench_test(
            workshop=self.bench.workshop,
            ref=self.part.ref,
            verdict=verdict,
            method="ran it",
            tested_on=TODAY,
            tested_by=self.bench.technician,
        )

    def hold(self, need: Need | None = None, by: Member | None = None) -> Hold:
        return holds.hold_part(
            workshop=self.bench.workshop,
            part_ref=self.part.ref,
            need_id=(need or self.mine).pk,
            member=by or self.bench.technician,
            now=timezone.now(),
        )

    def standing(self) -> Hold:
        return Hold.of(self.bench.workshop).get(released_at__isnull=True)

    def release(self) -> None:
        holds.release_hold(
            workshop=self.bench.workshop, hold_id=self.standing().pk, now=timezone.now()
        )

    def lapse(self) -> None:
        holds.lapse_holds(now=timezone.now() + timedelta(days=400))

    def take_out(self) -> None:
        part_services.remove_part(workshop=self.bench.workshop, ref=self.part.ref, removed_on=TODAY)

    def fit(self) -> None:
        fittings.report_fitting(
            workshop=self.bench.workshop,
            hold_id=self.standing().pk,
            report=Report(result="worked", fitted_on=TODAY),
            now=timezone.now(),
        )

    def take_back(self) -> None:
        reopening.take_back(
            workshop=self.bench.workshop,
            outcome_id=Outcome.of(self.bench.workshop).get().pk,
            member=self.bench.technician,
            now=timezone.now(),
        )

    def scrap(self) -> None:
        parting.scrap_part(
            workshop=self.bench.workshop, ref=self.part.ref, why="corner broken", on=TODAY
        )

    def told(self, member: Member) -> list[str]:
        """Return the news of a member on the part, oldest first."""
        rows = Alert.of(self.bench.workshop).filter(recipient=member, part=self.part)
        return list(rows.order_by("told_at").values_list("news", flat=True))


Step = Callable[[World], Any]
GOOD: Step = lambda world: world.test(BenchTest.Verdict.GOOD)  # noqa: E731
BAD: Step = lambda world: world.test(BenchTest.Verdict.FAILED)  # noqa: E731
HOLD: Step = World.hold

LIFE: dict[str, tuple[list[tuple[Step, list[str]]], list[str]]] = {
    # name: steps, each with what the second technician is told of it; then what the first is
    "proved": ([(GOOD, ["proved"])], ["found", "proved"]),
    "proved twice is told once": ([(GOOD, ["proved"]), (GOOD, [])], ["found", "proved"]),
    "failed": ([(BAD, ["failed"])], ["found", "failed"]),
    "failed, proved good again": (
        [(BAD, ["failed"]), (GOOD, ["proved"])],
        ["found", "failed", "proved"],
    ),
    "proved, failed, proved, failed": (
        [(GOOD, ["proved"]), (BAD, ["failed"]), (GOOD, ["proved"]), (BAD, ["failed"])],
        ["found", "proved", "failed", "proved", "failed"],
    ),
    "held by someone else": ([(HOLD, ["held"])], ["found"]),
    "held, released": ([(HOLD, ["held"]), (World.release, ["free"])], ["found"]),
    "held, lapsed": ([(HOLD, ["held"]), (World.lapse, ["free"])], ["found"]),
    "held, released, held again": (
        [(HOLD, ["held"]), (World.release, ["free"]), (HOLD, ["held"])],
        ["found"],
    ),
    "held, failed": ([(HOLD, ["held"]), (BAD, ["failed"])], ["found", "failed"]),
    "held by oneself": ([(lambda world: world.hold(world.theirs, world.second), [])], None),
    "fitted for another job": (
        [(World.take_out, []), (GOOD, ["proved"]), (HOLD, ["held"]), (World.fit, ["gone"])],
        ["found", "proved"],
    ),
    "fitted, taken back, fitted again": (
        [
            (World.take_out, []),
            (HOLD, ["held"]),
            (World.fit, ["gone"]),
            (World.take_back, ["free"]),
            (HOLD, ["held"]),
            (World.fit, ["gone"]),
        ],
        ["found"],
    ),
    "fitted, taken back, scrapped": (
        [
            (World.take_out, []),
            (HOLD, ["held"]),
            (World.fit, ["gone"]),
            (World.take_back, ["free"]),
            (World.scrap, ["gone"]),
        ],
        ["found", "gone"],
    ),
    "fitted, taken back and held at once": (
        [
            (World.take_out, []),
            (HOLD, ["held"]),
            (World.fit, ["gone"]),
            (lambda world: (world.take_back(), world.hold()), ["held"]),
            (World.fit, ["gone"]),
        ],
        ["found"],
    ),
    "held and let go before anybody was told": (
        [(lambda world: (world.hold(), world.release()), [])],
        ["found"],
    ),
}  # type: ignore[dict-item]


@pytest.mark.parametrize("name", LIFE)
def test_followers_are_told_once_of_each_change_that_matters(bench: Bench, name: str) -> None:
    world = World(bench)
    so_far = ["found"]
    assert world.told(world.second) == so_far
    steps, first = LIFE[name]
    for step, told in steps:
        step(world)
        assert world.told(world.second) == so_far  # never inside the request
        bench.drain()
        so_far = [*so_far, *told]
        assert world.told(world.second) == so_far
    if first is not None:
        assert world.told(bench.technician) == first
    # Everything that was recorded, delivered once more: nobody hears it twice.
    OutboxEvent.of(bench.workshop).update(done_at=None, available_at=timezone.now())
    bench.drain()
    assert world.told(world.second) == so_far


def test_who_no_longer_waits_is_left_in_peace(bench: Bench) -> None:
    world = World(bench)
    Need.of(bench.workshop).filter(pk=world.theirs.pk).update(state=Need.State.WITHDRAWN)
    world.hold()
    bench.drain()
    world.release()
    bench.drain()
    assert world.told(world.second) == ["found"]


def test_it_says_for_which_job_it_is_held_and_until_when(bench: Bench) -> None:
    world = World(bench)
    hold = world.hold()
    bench.drain()
    alert = Alert.of(bench.workshop).get(news="held")
    assert world.theirs.job.ref in alert.summary
    assert world.mine.job.ref in alert.summary
    assert f"{timezone.localtime(hold.expires_at):%Y-%m-%d}" in alert.summary


def test_who_was_offered_it_as_tested_is_not_told_of_that_test(bench: Bench) -> None:
    part = bench.part(bench.donor("W7-60 R1 W"))
    early = bench.need("W7-60 R1 W", technician=bench.technician)
    bench.drain()
    record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict.GOOD,
        method="ran it",
        tested_on=TODAY,
        tested_by=bench.technician,
    )
    bench.drain()
    late = bench.need("W7-60 R1 W", technician=bench.technician)
    bench.drain()
    payload = {"part_ids": [part.pk]}
    with transaction.atomic():
        outbox.record(PARTS_CHANGED, workshop_id=bench.workshop.pk, payload=payload)
    bench.drain()
    rows = Alert.of(bench.workshop).order_by("told_at")
    told = {
        need: list(rows.filter(need=need).values_list("news", flat=True)) for need in (early, late)
    }
    assert told == {early: ["found", "proved"], late: ["found"]}


def test_tests_of_before_count_as_recorded_when_their_day_began(bench: Bench) -> None:
    """The migration's own function: who was told later was offered the part as tested."""
    world = World(bench)
    world.test(BenchTest.Verdict.GOOD)
    migration = import_module("parts.migrations.0012_tests_recorded")
    migration.begin_of_their_day(apps, SimpleNamespace(connection=connection))
    began = timezone.make_aware(datetime.combine(TODAY, time.min))
    assert BenchTest.of(bench.workshop).get().recorded_at == began


def test_what_was_told_as_gone_before_stays_told(bench: Bench) -> None:
    """The migration's own function, on news that did not name the leaving."""
    world = World(bench)
    world.take_out()
    world.hold()
    world.fit()
    bench.drain()
    gone = Alert.of(bench.workshop).filter(news="gone")
    outcome = Outcome.of(bench.workshop).get()
    assert gone.update(about="") == 1
    migration = import_module("matching.migrations.0019_leavings")
    migration.name_the_leaving(apps, SimpleNamespace(connection=connection))
    assert gone.get().about == f"outcome {outcome.pk}"
    OutboxEvent.of(bench.workshop).update(done_at=None, available_at=timezone.now())
    bench.drain()
    assert gone.count() == 1
