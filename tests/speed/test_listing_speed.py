"""How long 10,000 listings take against 100,000 known numbers; the aim is two minutes, two cores.

    python -m pytest tests/speed/test_listing_speed.py -m speed -s

Reading and recognising, telling apart, storing; then the same file again, a year's growth, and
what matching adds against 10,000 open needs. Figures: docs/listings.md. None decides a test.
"""

import time
from datetime import timedelta

import pytest
from django.db import connection, transaction

from donors import snapshots
from donors.catalogue import Catalogue
from donors.domain.model_numbers import canonical, folded
from donors.listings.services import Offered, add_listings, read_all
from donors.models import Listing, Make, ModelNumber
from matching.listings.serving import match_listings
from matching.models import Job, ListingMatch, Need
from tests.factories import NOW, TODAY, Bench
from tests.speed import listing_worlds
from workshop.models import OutboxEvent

pytestmark = [pytest.mark.speed, pytest.mark.django_db]
NUMBERS, LISTINGS, NEEDS = 100_000, 10_000, 10_000
MATCHED = 1_000


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


def test_ten_thousand_listings(bench: Bench, capsys) -> None:
    rows = stored_world(bench)
    say = Told(capsys)
    started = time.perf_counter()
    snapshots.rebuild(bench.workshop.pk)  # as the sweep does
    snapshots.forget()
    catalogue = Catalogue.load(bench.workshop)
    catalogue.recognise("X1")
    say.append(f"| the catalogue's snapshot made | {time.perf_counter() - started:.1f} |")
    for count, seed in ((1_000, 1), (LISTINGS, 2)):
        offered = told_of(rows, count, seed)
        before = time.perf_counter(), time.process_time()
        read_all(catalogue, offered[:1_000], on=TODAY)
        reading = time.perf_counter() - before[0]
        before = time.perf_counter(), time.process_time()
        add_listings(
            workshop=bench.workshop,
            offered=offered,
            source=Listing.Source.CSV,
            member=None,
            on=TODAY,
            catalogue=catalogue,
        )
        took, cpu = (time.perf_counter() - before[0], time.process_time() - before[1])
        held = Listing.of(bench.workshop).count()
        say.append(
            f"| {count} listings stored, {held} held after | {took:.1f} ({cpu:.1f} of processor), "
            f"reading 1,000 of them alone {reading:.1f} |"
        )
    before = time.perf_counter()
    stored = add_listings(
        workshop=bench.workshop,
        offered=offered,
        source=Listing.Source.CSV,
        member=None,
        on=TODAY + timedelta(days=1),
        catalogue=catalogue,
    )
    again = sum(not one.is_new for one in stored)
    say.append(
        f"| the same {LISTINGS} again ({again} seen again) | {time.perf_counter() - before:.1f} |"
    )
    _needs(bench, rows)
    ids = list(Listing.of(bench.workshop).order_by("id").values_list("id", flat=True))[:MATCHED]
    before = time.perf_counter()
    for start in range(0, len(ids), 20):
        with transaction.atomic():
            match_listings(bench.workshop.pk, ids[start : start + 20], now=NOW)
    took = time.perf_counter() - before
    pairs = ListingMatch.of(bench.workshop).count()
    say.append(f"| {len(ids)} matched against {NEEDS} needs, {pairs} pairs kept | {took:.1f} |")
    assert OutboxEvent.of(bench.workshop).exists()


def _needs(bench: Bench, rows) -> None:
    """Store 10,000 jobs of the world's machines, one need each."""
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
    from parts.models import KindCarried

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
