"""No write is refused by SQLite's lock, no two wait for each other in a ring.

Reliability plan, rows 12 and 14. With RACES=full 8 processes for 60 s, and 200 sets each.
"""

import pytest
from django.db import connection

from tests.factories import make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import FULL, size
from tests.load.driving import at
from workshop.models import RefCounter

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("races")]

RACERS, SETS = size(4, 8), size(40, 200)
HOW_LONG = {"seconds": 60.0} if FULL else {"rounds": 15}


@pytest.fixture
def sqlite_alone(transactional_db: None) -> None:
    if connection.vendor != "sqlite":
        pytest.skip("the lock of a whole database is SQLite's")


@pytest.mark.usefixtures("sqlite_alone")
def test_no_write_finds_the_database_locked(race: Race) -> None:
    make_bench("millrace")
    before = RefCounter.objects.unscoped().count()
    done = race([{"task": "mixed", **HOW_LONG}] * RACERS)
    assert sum(one["refused"] for one in done) == 0
    written = RefCounter.objects.unscoped().count() - before
    assert written == sum(one["written"] for one in done)
    reads, writes = ([s * 1000 for one in done for s in one[what]] for what in ("reads", "writes"))
    print(
        f"\n[row 12] {RACERS} processes, {written} writes, {len(reads)} reads, 0 refused; "
        f"write p99 {at(writes, 99):.0f} ms, read p95 {at(reads, 95):.1f} ms"
    )


@pytest.mark.usefixtures("sqlite_alone")
def test_control_begun_without_the_write_lock_writes_are_refused(race: Race) -> None:
    make_bench("millrace")
    done = race([{"task": "mixed", "rounds": 5, "deferred": True}] * 2)
    assert sum(one["refused"] for one in done) >= 5


@pytest.mark.usefixtures("two_writers")
def test_sets_of_parts_locked_at_once_never_wait_in_a_ring(race: Race) -> None:
    bench = make_bench("millrace")
    bench.donor()
    done = race([{"task": "lock_sets", "rounds": SETS}] * RACERS)
    assert sum(one["deadlocks"] for one in done) == 0
    slowest = max(one["slowest"] for one in done)
    print(f"\n[row 14] {RACERS} x {SETS} sets, 0 deadlocks, slowest {slowest * 1000:.0f} ms")


@pytest.mark.usefixtures("two_writers")
def test_control_locked_one_by_one_in_any_order_they_do(race: Race) -> None:
    bench = make_bench("millrace")
    bench.donor()
    done = race([{"task": "lock_sets", "rounds": 2, "naive": True}] * 2)
    assert sum(one["deadlocks"] for one in done) == 2  # one of two, each time
