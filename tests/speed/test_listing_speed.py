"""How long 10,000 listings take against 100,000 known numbers; the aim is two minutes, two cores.

    python -m pytest tests/speed/test_listing_speed.py -m speed -s             (SQLite)
    TEST_DATABASE_URL=postgres://... python -m pytest ... -m speed -s          (PostgreSQL)

Reading and recognising, telling apart, storing; then the same file again, and what matching adds
against the open needs. LISTINGS, KNOWN_NUMBERS and OPEN_NEEDS set the sizes, LISTINGS_MATCHED how
many are matched (all, when not given). PostgreSQL's statistics are renewed after each large
write, as autovacuum would within a minute. Figures: docs/listings.md. None decides a test.
"""

import os
import time
from datetime import date, timedelta

import pytest
from django.db import connection, transaction

from donors import snapshots
from donors.catalogue import Catalogue
from donors.domain.model_numbers import canonical, folded
from donors.listings.services import MATCHED_AT_ONCE, Offered, Stored, add_listings, read_all
from donors.models import Listing, Make, ModelNumber
from matching.listings.serving import match_listings
from matching.models import Job, ListingMatch, Need
from parts.models import KindCarried
from tests.factories import NOW, TODAY, Bench
from tests.speed import listing_worlds
from workshop.models import OutboxEvent

pytestmark = [pytest.mark.speed, pytest.mark.django_db(transaction=True)]
NUMBERS = int(os.environ.get("KNOWN_NUMBERS", "100000"))
LISTINGS = int(os.environ.get("LISTINGS", "10000"))
NEEDS = int(os.environ.get("OPEN_NEEDS", "10000"))
MATCHED = int(os.environ.get("LISTINGS_MATCHED", str(LISTINGS)))


class Told(list[str]):
    """Prints each line as it comes: the whole takes minutes."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self.capsys = capsys

    def append(self, line: str) -> None:
        with self.capsys.disabled():
            print(f"{connection.vendor}: {line}", flush=True)


def stored_world(bench: Bench) -> list[tuple[str, str, str]]:
    """Store the makes and numbers of a world. Families: what stands before the first digit."""
    _, rows = listing_worlds.world(NUMBERS)
    makes = {
        name: Make.objects.create(workshop=bench.workshop, name=name, key=canonical(name))
        for name in sorted({make for make, _, _ in rows})
    }
    ModelNumber.objects.bulk_create(
        [
            ModelNumber(
                workshop=bench.workshop,
                make=makes[make],
                number=number,
                canonical=canonical(number),
                folded=folded(number),
                appliance_id=appliance,
                family=canonical(number)[:3],
            )
            for make, number, appliance in rows
        ],
        batch_size=2000,
    )
    return rows


def told_of(rows, count: int, seed: int) -> list[Offered]:
    return [
        Offered(one.text, title=one.title, link=f"https://example.test/{seed}/{n}")
        for n, one in enumerate(listing_worlds.listings(rows, count, seed=seed))
    ]


def settle() -> None:
    """Do what PostgreSQL's autovacuum would in a while."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("VACUUM ANALYZE")


class Clock:
    """Seconds by the clock, of this program's processor, and the queries it sent."""

    def __enter__(self) -> "Clock":
        self.queries = 0
        self._counting = connection.execute_wrapper(self._count)
        self._counting.__enter__()
        self._before = time.perf_counter(), time.process_time()
        return self

    def _count(self, execute, sql, params, many, context):
        self.queries += 1
        return execute(sql, params, many, context)

    def __exit__(self, *why: object) -> None:
        self._counting.__exit__(*why)
        self.wall = time.perf_counter() - self._before[0]
        self.busy = time.process_time() - self._before[1]

    def __str__(self) -> str:
        return f"{self.wall:.1f} ({self.busy:.1f} of processor, {self.queries} queries)"


def test_listings_of_many_known_numbers(bench: Bench, capsys) -> None:
    rows = stored_world(bench)
    say = Told(capsys)
    settle()
    with Clock() as clock:
        snapshots.rebuild(bench.workshop.pk)  # as the sweep does
        snapshots.forget()
        catalogue = Catalogue.load(bench.workshop)
        catalogue.recognise("X1")
    say.append(f"| the snapshot of {NUMBERS} numbers made | {clock} |")
    for count, seed in ((1_000, 1), (LISTINGS, 2)):
        offered = told_of(rows, count, seed)
        with Clock() as clock:
            read_all(catalogue, offered[:1_000], on=TODAY)
        say.append(f"| {min(count, 1_000)} listings read alone | {clock} |")
        with Clock() as clock:
            _add(bench, offered, catalogue, on=TODAY)
        held = Listing.of(bench.workshop).count()
        say.append(f"| {count} listings stored, {held} held after | {clock} |")
        settle()
    with Clock() as clock:
        stored = _add(bench, offered, catalogue, on=TODAY + timedelta(days=1))
    again = sum(not one.is_new for one in stored)
    say.append(f"| the same {LISTINGS} again ({again} seen again) | {clock} |")
    _needs(bench, rows)
    settle()
    ids = list(Listing.of(bench.workshop).order_by("id").values_list("id", flat=True))[-MATCHED:]
    with Clock() as clock:
        for start in range(0, len(ids), MATCHED_AT_ONCE):
            with transaction.atomic():
                match_listings(bench.workshop.pk, ids[start : start + MATCHED_AT_ONCE], now=NOW)
    pairs = ListingMatch.of(bench.workshop).count()
    say.append(f"| {len(ids)} matched against {NEEDS} needs, {pairs} pairs kept | {clock} |")
    assert OutboxEvent.of(bench.workshop).exists()


def _add(bench: Bench, offered: list[Offered], catalogue: Catalogue, *, on: date) -> list[Stored]:
    return add_listings(
        workshop=bench.workshop,
        offered=offered,
        source=Listing.Source.CSV,
        member=None,
        on=on,
        catalogue=catalogue,
    )


def _needs(bench: Bench, rows) -> None:
    """Store jobs of the world's machines, one need each."""
    makes = {make.name: make for make in Make.of(bench.workshop)}
    kind = {
        "washing-machine": "drain-pump",
        "tumble-dryer": "control-board",
        "dishwasher": "drain-pump",
        "fridge-freezer": "control-board",
        "microwave": "control-board",
        "coffee-machine": "brew-unit",
        "vacuum-cleaner": "suction-motor",
    }
    carried = {}
    for row in KindCarried.objects.filter(part_of_intake=True).order_by("id"):
        carried.setdefault(row.appliance_id, row.kind_id)
    jobs = [
        Job(
            workshop=bench.workshop,
            ref=f"S-{n}",
            appliance_id=appliance,
            make=makes[make],
            model_number=number,
            model_canonical=canonical(number),
            likely_number=canonical(number),
            family=canonical(number)[:3],
            certainty=1.0,
            opened_on=TODAY,
        )
        for n, (make, number, appliance) in enumerate(rows[:: len(rows) // NEEDS][:NEEDS])
    ]
    Job.objects.bulk_create(jobs, batch_size=500)
    Need.objects.bulk_create(
        [
            Need(
                workshop=bench.workshop,
                job=j,
                kind_id=carried.get(j.appliance_id, kind[j.appliance_id]),
            )
            for j in jobs
        ],
        batch_size=500,
    )
