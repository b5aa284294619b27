"""What it takes to store many numbers, fold them into a snapshot, open it, and see one more.

    SNAPSHOT_ROWS=1000000 python -m pytest tests/speed/test_snapshot_speed.py -m speed -s

On SQLite, or the database of TEST_DATABASE_URL. Writes its lines into docs/lookup.md.
"""

import os
import time
from datetime import UTC, datetime

import pytest
from django.conf import settings
from django.db import connection, transaction

from donors import services, snapshots
from donors.catalogue import Catalogue
from donors.domain.model_numbers import canonical, folded
from donors.models import Make, ModelNumber
from tests.speed import worlds
from tests.speed.test_lookup_speed import write
from workshop.models import Workshop

ROWS = int(os.environ.get("SNAPSHOT_ROWS", "20000"))
NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


@pytest.mark.speed
@pytest.mark.django_db
def test_snapshots():
    workshop = Workshop.objects.create(slug="large", name="Large")
    make = Make.objects.create(workshop=workshop, name="Velthane", key="VELTHANE")
    numbers = [number for _, number in worlds.catalogue(range(20_000, 20_060), ROWS)]
    lines = [_took("stored, with the log of changes", lambda: _store(workshop, make, numbers))]
    lines.append(_took("a question without a snapshot", lambda: _ask(workshop, numbers[7])))
    lines.append(_took("folded into a snapshot", lambda: snapshots.fold(now=NOW)))
    snapshots.forget()
    lines.append(_took("mapped, checked and asked", lambda: _ask(workshop, numbers[7])))
    lines.append(_took("asked again", lambda: _ask(workshop, numbers[8])))

    def one_more() -> None:
        with transaction.atomic():
            services.add_model_number(workshop=workshop, make=make, number="ZZ-NEW-4711")
        assert _ask(workshop, "ZZNEW4711").settled is not None

    lines.append(_took("one number added and found", one_more))
    path = snapshots._path(workshop.pk)
    size = path.stat().st_size / 2**20
    title = f"Snapshot of {len(numbers):,} numbers, {connection.vendor}"
    text = f"## {title}\n\nThe file has {size:.0f} MiB.\n\n| step | s |\n|---|---|\n"
    text += "\n".join(lines) + "\n"
    print("\n" + text)
    write(title, text)
    path.unlink()
    assert settings.DATA_DIR in path.parents


def _store(workshop, make, numbers) -> None:
    rows = (
        ModelNumber(
            workshop=workshop,
            make=make,
            number=number,
            canonical=canonical(number),
            folded=folded(number),
        )
        for number in numbers
    )
    ModelNumber.objects.bulk_create(rows, batch_size=500)


def _ask(workshop, text):
    return Catalogue.load(workshop).recognise(text)


def _took(what, step) -> str:
    start = time.perf_counter()
    step()
    return f"| {what} | {time.perf_counter() - start:.3f} |"
