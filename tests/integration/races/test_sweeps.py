"""Several dispatchers sweep at once: a grade falls once and is announced once."""

import pytest

from parts import services
from parts.models import BenchTest, Part
from tests.factories import TODAY, Bench, make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size
from workshop.domain.months import months_after
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db(transaction=True)

PARTS, SWEEPS = size(12, 60), 4
DAY = months_after(TODAY, 24).isoformat()


def stock(bench: Bench) -> set[int]:
    """Take in boards whose tests were good, all due on one day."""
    for _ in range(PARTS):
        part = bench.part(bench.donor())
        services.record_bench_test(
            workshop=bench.workshop,
            ref=part.ref,
            verdict=BenchTest.Verdict.GOOD,
            method="ran it",
            tested_on=TODAY,
            tested_by=None,
        )
    OutboxEvent.objects.unscoped().all().delete()
    return set(Part.objects.unscoped().filter(grade="tested-good").values_list("pk", flat=True))


def announced() -> list[int]:
    rows = OutboxEvent.objects.unscoped().filter(kind="parts.parts-changed")
    return sorted(pk for row in rows for pk in row.payload["part_ids"])


@pytest.mark.xdist_group("races")
def test_a_grade_falls_once_however_many_sweep(race: Race) -> None:
    due = stock(make_bench("millrace"))
    done = race([{"task": "fall", "on": DAY, "naive": False}] * SWEEPS)
    assert sum(one["fell"] for one in done) == PARTS
    assert announced() == sorted(due)
    assert Part.objects.unscoped().filter(pk__in=due, grade="tested-worn").count() == PARTS


@pytest.mark.xdist_group("races")
def test_control_without_the_lock_it_is_announced_twice(race: Race) -> None:
    due = stock(make_bench("millrace"))
    done = race([{"task": "fall", "on": DAY, "naive": True}] * 2)
    assert [one["fell"] for one in done] == [PARTS, PARTS]
    assert announced() == sorted([*due, *due])
