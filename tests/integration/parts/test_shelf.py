"""Grades fall with shelf time: on their day, once, and the matches follow."""

import importlib
from datetime import UTC, date, datetime, timedelta

import pytest
from django.apps import apps
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from donors import events as donor_events
from donors.build_readings import CodeAsked
from donors.models import Donor
from matching.models import Match
from parts import services, shelf
from parts.models import BenchTest, Grade, Part
from parts.reference import load_part_kinds
from tests.factories import TODAY, Bench
from workshop import dispatcher, outbox, reference
from workshop.domain.months import months_after
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db


def good_part(bench: Bench) -> Part:
    """Return a part whose bench test was good. Boards have 24 months of shelf time."""
    part = bench.part(bench.donor())
    services.record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict.GOOD,
        method="ran it",
        tested_on=TODAY,
        tested_by=bench.technician,
        on=TODAY,
    )
    part.refresh_from_db()
    return part


def changes(bench: Bench) -> list[list[int]]:
    rows = OutboxEvent.of(bench.workshop).filter(kind="parts.parts-changed", done_at=None)
    return [row.payload["part_ids"] for row in rows.order_by("recorded_at")]


def test_a_grade_falls_on_its_day_one_step_at_a_time(bench: Bench) -> None:
    part = good_part(bench)
    assert part.grade == Grade.TESTED_GOOD
    assert part.grade_falls_on == months_after(TODAY, 24)
    bench.drain()
    for months, grade in ((24, Grade.TESTED_WORN), (48, Grade.UNTESTED)):
        day = months_after(TODAY, months)
        assert shelf.let_grades_fall(on=day - timedelta(days=1)) == 0
        assert shelf.let_grades_fall(on=day) == 1
        part.refresh_from_db()
        assert part.grade == grade
        assert "24 months of shelf time are over: test again" in part.grade_reason
    assert part.grade_falls_on is None
    assert shelf.let_grades_fall(on=months_after(TODAY, 600)) == 0


def test_a_sweep_that_comes_late_lets_it_fall_all_the_way_at_once(bench: Bench) -> None:
    part = good_part(bench)
    assert shelf.let_grades_fall(on=months_after(TODAY, 60)) == 1
    part.refresh_from_db()
    assert part.grade == Grade.UNTESTED


def test_a_new_test_starts_the_time_anew(bench: Bench) -> None:
    part = good_part(bench)
    later = months_after(TODAY, 30)
    shelf.let_grades_fall(on=later)
    services.record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict.GOOD,
        method="ran it again",
        tested_on=later,
        tested_by=None,
        on=later,
    )
    part.refresh_from_db()
    assert part.grade == Grade.TESTED_GOOD
    assert part.grade_falls_on == months_after(later, 24)


def test_sweeping_twice_changes_and_announces_once(bench: Bench) -> None:
    part = good_part(bench)
    bench.drain()
    day = months_after(TODAY, 24)
    assert [shelf.let_grades_fall(on=day) for _ in range(3)] == [1, 0, 0]
    assert changes(bench) == [[part.pk]]


def test_the_dispatchers_sweep_does_it_and_matches_follow(bench: Bench) -> None:
    need = bench.need("W7-60 R1 W")
    part = good_part(bench)
    bench.drain()
    before = Match.of(bench.workshop).get(need=need, part=part).p_good
    day = months_after(TODAY, 24)
    dispatcher.sweep(now=datetime(day.year, day.month, day.day, 12, tzinfo=UTC))
    bench.drain()
    after = Match.of(bench.workshop).get(need=need, part=part).p_good
    assert (before, after) == (0.95, 0.85)


def test_a_part_that_is_gone_keeps_the_grade_it_went_with(bench: Bench) -> None:
    part = good_part(bench)
    services.take_from_stock(workshop=bench.workshop, ref=part.ref, state=Part.State.SOLD, on=TODAY)
    part.refresh_from_db()
    assert part.grade_falls_on is None
    # One that went by another way is let be as well, and looked at once only.
    Part.of(bench.workshop).filter(pk=part.pk).update(grade_falls_on=TODAY)
    assert shelf.let_grades_fall(on=months_after(TODAY, 48)) == 0
    part.refresh_from_db()
    assert (part.grade, part.grade_falls_on) == (Grade.TESTED_GOOD, None)


def test_a_wear_part_falls_when_its_machine_grows_old(bench: Bench) -> None:
    donor = bench.donor(built_from=date(2016, 6, 1), built_to=date(2016, 6, 1))
    part = bench.part(donor, "heater")
    services.record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict.GOOD,
        method="boiled",
        tested_on=TODAY,
        tested_by=None,
        on=TODAY,
    )
    part.refresh_from_db()
    assert part.grade_falls_on == date(2028, 6, 1)  # twelve years of 365.25 days
    assert shelf.let_grades_fall(on=date(2028, 6, 1)) == 1
    part.refresh_from_db()
    assert part.grade == Grade.TESTED_WORN


def test_the_same_queries_however_many_fall(bench: Bench) -> None:
    def queries(count: int) -> int:
        for _ in range(count):
            good_part(bench)
        with CaptureQueriesContext(connection) as seen:
            assert shelf.let_grades_fall(on=months_after(TODAY, 24)) == count
        # The rows are written back one by one in a single call (workshop/bulk.py).
        return len([one for one in seen if 'UPDATE "parts_part"' not in one["sql"]])

    assert queries(1) == queries(5)


def test_more_than_a_page_falls_in_one_sweep(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelf, "PAGE", 2)
    parts = [good_part(bench) for _ in range(5)]
    bench.drain()
    assert shelf.let_grades_fall(on=months_after(TODAY, 24)) == 5
    assert sorted(pk for page in changes(bench) for pk in page) == [part.pk for part in parts]


def test_two_workshops_hear_of_their_own_parts(bench: Bench, other_bench: Bench) -> None:
    mine, theirs = good_part(bench), good_part(other_bench)
    bench.drain()
    assert shelf.let_grades_fall(on=months_after(TODAY, 24)) == 2
    assert (changes(bench), changes(other_bench)) == ([[mine.pk]], [[theirs.pk]])


def test_grades_from_before_are_worked_out_and_imported_ones_stay(bench: Bench) -> None:
    """The migration's own function, on rows as they were."""
    migration = importlib.import_module("parts.migrations.0007_bench_readings")
    rows = Part.of(bench.workshop)
    old, imported = good_part(bench), good_part(bench)
    BenchTest.of(bench.workshop).update(verdicts=[])
    BenchTest.of(bench.workshop).filter(part=imported).update(method=migration.IMPORTED)
    rows.update(grade_reason="", grade_falls_on=None)
    migration.let_them_be_worked_out(apps, None)
    assert shelf.let_grades_fall(on=months_after(TODAY, 25)) == 1
    assert rows.get(pk=old.pk).grade == Grade.TESTED_WORN
    kept = rows.get(pk=imported.pk)
    assert (kept.grade, kept.grade_falls_on) == (Grade.TESTED_GOOD, None)
    assert kept.grade_reason == "stated in an imported file, not how it was tested"


def test_the_day_is_found_by_its_index(bench: Bench) -> None:
    good_part(bench)
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:  # a small table is read whole otherwise
            cursor.execute("SET LOCAL enable_seqscan = off")
    assert "part_by_fall" in shelf.due_by(TODAY).explain()


def good_valve(bench: Bench) -> Part:
    """Return a wear part of a machine of unknown age whose test was good."""
    part = bench.part(bench.donor(), "inlet-valve")
    assert part.kind.component_class == "wear"
    services.record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict.GOOD,
        method="ran it",
        tested_on=TODAY,
        tested_by=None,
        on=TODAY,
    )
    bench.drain()
    return part


def sweep_now() -> None:
    shelf.let_grades_fall(on=timezone.localdate())


def test_a_grade_follows_the_build_date_its_machine_is_given(bench: Bench) -> None:
    """A machine is stripped selectively to 12 years (practice, from memory)."""
    part = good_valve(bench)
    asked = CodeAsked("200923", "ISO_WEEK")
    services.date_donor(workshop=bench.workshop, ref=part.donor.ref, asked=asked)
    assert part.donor.__class__.of(bench.workshop).get(pk=part.donor_id).built_from.year == 2009
    bench.drain()
    sweep_now()
    part.refresh_from_db()
    assert part.grade == Grade.TESTED_WORN
    assert changes(bench) == [[part.pk]]


def test_a_grade_follows_a_build_date_from_a_file(bench: Bench) -> None:
    part = good_valve(bench)
    donor = part.donor
    assert donor is not None
    Donor.of(bench.workshop).filter(pk=donor.pk).update(built_from=date(2009, 1, 1))
    payload = {"donor_id": donor.pk}  # as the import of donors announces it
    outbox.record(donor_events.DONOR_CHANGED, workshop_id=bench.workshop.pk, payload=payload)
    bench.drain()
    sweep_now()
    part.refresh_from_db()
    assert part.grade == Grade.TESTED_WORN


def test_a_grade_follows_what_its_kind_becomes(bench: Bench) -> None:
    part, board = good_valve(bench), good_part(bench)
    before = reference.read("part_kinds")
    kinds = [row | ({"shelf_months": 1} if row["slug"] == part.kind_id else {}) for row in before]
    load_part_kinds(kinds)
    part.refresh_from_db()
    board.refresh_from_db()
    assert part.grade_falls_on == timezone.localdate()
    assert board.grade_falls_on == months_after(TODAY, 24)
    shelf.let_grades_fall(on=max(timezone.localdate(), months_after(TODAY, 1)))
    part.refresh_from_db()
    assert part.grade == Grade.TESTED_WORN


def test_the_sweep_locks_in_the_order_everybody_locks_in(bench: Bench) -> None:
    """By id; in the order of the days two who lock parts would wait for each other."""
    good_part(bench)
    with CaptureQueriesContext(connection) as seen:
        shelf.let_grades_fall(on=months_after(TODAY, 24))
    read = [one["sql"] for one in seen if "parts_benchtest" in one["sql"] and "JOIN" in one["sql"]]
    assert len(read) == 1
    assert 'ORDER BY "parts_part"."id" ASC' in read[0]
    assert ("FOR UPDATE" in read[0]) == (connection.vendor == "postgresql")


def test_what_another_sweep_did_meanwhile_is_not_done_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    part = good_part(bench)
    bench.drain()
    day = months_after(TODAY, 24)
    rows = Part.objects.unscoped().filter(pk=part.pk)
    monkeypatch.setattr(shelf, "due_by", lambda on: rows)  # as read before the other one
    rows.update(grade_falls_on=months_after(TODAY, 48))
    assert shelf._page(on=day) == 0
    assert changes(bench) == []
