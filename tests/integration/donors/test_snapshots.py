"""The numbers a process holds: fresh after every change, whoever made it, on both engines."""

import subprocess
import sys
import time
from datetime import UTC, datetime

import pytest
from django.conf import settings
from django.db import connection, transaction

from donors import measuring, services, snapshot_files, snapshots
from donors.catalogue import Catalogue
from donors.domain import model_numbers
from donors.domain.recognising import How
from donors.models import CatalogueClock, Make, ModelAlias, ModelNumber, NumberChange
from workshop.models import Workshop

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _nothing_held():
    snapshots.forget()
    yield
    snapshots.forget()
    for path in (settings.DATA_DIR / "lookup").glob("*"):
        path.unlink()


@pytest.fixture
def velthane(bench):
    return bench.makes["Velthane"]


def seen(bench, text):
    return Catalogue.load(bench.workshop).recognise(text)


def bulk(bench, make, numbers):
    rows = [
        ModelNumber(
            workshop=bench.workshop,
            make=make,
            number=number,
            canonical=model_numbers.canonical(number),
            folded=model_numbers.folded(number),
            wildcard=model_numbers.has_wildcard(number),
        )
        for number in numbers
    ]
    return ModelNumber.objects.bulk_create(rows)


def test_each_kind_of_change_is_seen_at_once(bench, velthane):
    assert seen(bench, "Q9-77 X").settled is None
    with transaction.atomic():
        model = services.add_model_number(workshop=bench.workshop, make=velthane, number="Q9-77 X")
    assert seen(bench, "Q977X").settled.id == model.id
    ModelAlias.objects.create(
        workshop=bench.workshop, model=model, alias="Merle 5", canonical="MERLE5"
    )
    assert seen(bench, "merle-5").how is How.ALIAS
    ModelNumber.of(bench.workshop).filter(pk=model.pk).update(family="Q9")
    assert seen(bench, "Q977X").settled.family == "Q9"
    ModelAlias.of(bench.workshop).all().delete()
    assert seen(bench, "merle-5").how is not How.ALIAS
    ModelNumber.of(bench.workshop).filter(pk=model.pk).delete()
    assert seen(bench, "Q977X").settled is None


def test_plain_sql_is_seen_too(bench, velthane):
    assert seen(bench, "W760R1W").settled is not None
    table = ModelNumber._meta.db_table
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE {table} SET family = 'ZZ' WHERE canonical = 'W760R1W'")
    assert seen(bench, "W760R1W").settled.family == "ZZ"


def test_a_change_rolled_back_is_let_go_and_the_next_is_seen(bench, velthane):
    """Negative control: the count alone is the same before and after; the mark is not."""

    with transaction.atomic():
        bulk(bench, velthane, ["GONE111"])
        assert seen(bench, "GONE111").settled is not None
        counted = CatalogueClock.objects.get(workshop_id=bench.workshop.pk).seq
        transaction.set_rollback(True)
    bulk(bench, velthane, ["KEPT222"])
    assert CatalogueClock.objects.get(workshop_id=bench.workshop.pk).seq == counted
    assert seen(bench, "GONE111").settled is None
    assert seen(bench, "KEPT222").settled is not None


def test_nothing_changed_is_two_small_queries(bench, velthane, django_assert_num_queries):
    seen(bench, "W760R1W")
    with django_assert_num_queries(2):
        seen(bench, "W760R1W")
    bulk(bench, velthane, [f"N{n:05}" for n in range(300)])
    seen(bench, "W760R1W")
    with django_assert_num_queries(2):
        seen(bench, "W760R1W")


def test_another_workshop_sees_nothing_of_it(bench, other_bench, velthane):
    bulk(bench, velthane, ["PRIVATE77"])
    assert seen(bench, "PRIVATE77").settled is not None
    assert seen(other_bench, "PRIVATE77").candidates == ()


def test_deleting_a_workshop_leaves_no_row_in_the_way(db):
    workshop = Workshop.objects.create(slug="gone", name="Gone")
    make = Make.objects.create(workshop=workshop, name="Ostrelle", key="OSTRELLE")
    ModelNumber.objects.create(
        workshop=workshop, make=make, number="A11", canonical="A11", folded="A11"
    )
    assert CatalogueClock.objects.filter(workshop_id=workshop.pk).exists()
    ModelNumber.of(workshop).all().delete()
    make.delete()
    workshop.delete()


@pytest.fixture
def _large(monkeypatch):
    """Take a catalogue of more than three numbers for a large one, two changes for many."""
    monkeypatch.setattr(snapshots, "SMALL", 3)
    monkeypatch.setattr(snapshots, "MOST_CHANGES", 2)


@pytest.mark.usefixtures("_large")
def test_a_large_catalogue_without_snapshot_knows_exact_keys_until_it_is_made(bench, velthane):
    assert seen(bench, "W7-60 R1 W").how is How.EXACT
    assert seen(bench, "W7-6O R1 W").how is How.CONFUSABLE
    assert seen(bench, "W7-60 R1").candidates == ()  # near ones have to wait
    assert snapshots.fold(now=NOW) == 1
    assert len(seen(bench, "W7-60 R1").candidates) >= 2
    assert snapshots.fold(now=NOW) == 0  # nothing to do


@pytest.mark.usefixtures("_large")
def test_a_snapshot_serves_and_changes_lie_over_it(bench, velthane):
    snapshots.fold(now=NOW)
    path = snapshots._path(bench.workshop.pk)
    assert snapshot_files.read(path).generation == 1
    first, *_ = bulk(bench, velthane, ["NEW4711", "NEW4712"])
    assert seen(bench, "NEW4711").settled.id == first.pk
    ModelNumber.of(bench.workshop).filter(canonical="W760R1W").delete()
    assert seen(bench, "W7-60 R1 W").settled is None
    ModelNumber.of(bench.workshop).filter(canonical="W760R1S").update(number="W7/60 R1 S")
    assert seen(bench, "W760R1S").settled.number == "W7/60 R1 S"
    assert snapshots.fold(now=NOW) == 1
    assert snapshot_files.read(path).generation == 2
    assert seen(bench, "NEW4712").settled is not None
    assert seen(bench, "W7-60 R1 W").settled is None
    assert not NumberChange.objects.filter(
        workshop_id=bench.workshop.pk, seq__lt=snapshot_files.position(path)[0]
    ).exists()


@pytest.mark.usefixtures("_large")
@pytest.mark.parametrize("harm", ["cut", "flipped", "header", "empty", "foreign"])
def test_a_harmed_snapshot_is_taken_for_missing(bench, velthane, harm):
    snapshots.fold(now=NOW)
    path = snapshots._path(bench.workshop.pk)
    snapshots.forget()
    held = bytearray(path.read_bytes())
    if harm == "cut":
        held = held[:-64]
    elif harm == "flipped":
        held[len(held) // 2] ^= 1
    elif harm == "header":
        held[20] = 255
    elif harm == "empty":
        held = bytearray()
    else:  # of another database: sound, but its mark is not in this log
        shelf = snapshot_files.read(path).shelf
        snapshot_files.write(path, shelf, (1, "elsewhere"))
        held = bytearray(path.read_bytes())
    path.write_bytes(held)
    assert seen(bench, "W7-60 R1 W").how is How.EXACT  # by its key
    assert seen(bench, "W7-60 R1").candidates == ()
    assert snapshots.fold(now=NOW) == 1
    assert len(seen(bench, "W7-60 R1").candidates) >= 2


def test_a_file_gives_back_what_was_written(bench, tmp_path):
    shelf = snapshots._read(bench.workshop.pk)
    snapshot_files.write(tmp_path / "x", shelf, (7, "mark"))
    found = snapshot_files.read(tmp_path / "x")
    assert (found.at, found.generation) == ((7, "mark"), 1)
    assert [found.shelf.entry(i) for i in range(len(shelf))] == [
        shelf.entry(i) for i in range(len(shelf))
    ]
    for name in ("text", "pair_rows", "gram_rows", "backward"):
        assert (getattr(found.shelf.index, name) == getattr(shelf.index, name)).all()
    with pytest.raises(ValueError, match="read-only"):
        found.shelf.index.text[0] = 0


ASKER = """
import sys, time
import django
from django.conf import settings
django.setup()
settings.DATABASES  # as the parent has it
from django.db import connection
connection.settings_dict["NAME"] = sys.argv[1]
from donors.catalogue import Catalogue
workshop = int(sys.argv[2])
assert Catalogue.load(workshop).recognise("Q9-77 X").settled is None
print("ready", flush=True)
until = time.monotonic() + 20
while time.monotonic() < until:
    if Catalogue.load(workshop).recognise("Q9-77 X").settled is not None:
        print(time.time(), flush=True)
        break
    time.sleep(0.02)
"""


@pytest.mark.django_db(transaction=True)
def test_a_number_added_here_is_seen_in_another_process_within_a_second():
    from tests.factories import make_bench

    bench = make_bench("millrace")
    name = str(connection.settings_dict["NAME"])
    other = subprocess.Popen(
        [sys.executable, "-c", ASKER, name, str(bench.workshop.pk)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=settings.BASE_DIR,
    )
    try:
        assert other.stdout.readline().strip() == "ready"
        with transaction.atomic():
            services.add_model_number(
                workshop=bench.workshop, make=bench.makes["Velthane"], number="Q9-77 X"
            )
        added = time.time()
        line = other.stdout.readline().strip()
        assert line, "the other process never saw it"
        assert float(line) - added <= 1.0
    finally:
        other.kill()
        other.wait()


def test_measure_lookup_counts_as_it_says(tmp_path):
    """Worked by hand: one found first, one second, one not at all."""
    models, queries = tmp_path / "models.csv", tmp_path / "queries.csv"
    models.write_text(
        "make,model_number,aliases,appliance,family\n"
        "Velthane,W7-60 R1 W,Quern 60,,\nVelthane,W7-60 R1 S,,,\n,K3-60 R2,,,\n",
        encoding="utf-8",
    )
    queries.write_text(
        "text,make,expected\nquern60,,W7-60 R1 W\nW7-60 R1 W,Velthane,W760R1S|nothing\n"
        "ZZZZ,Unheard,K3-60 R2\n",
        encoding="utf-8",
    )
    found = measuring.measure(models, queries)
    assert (found.queries, found.recall_at_1, found.recall_at_5) == (3, 0.3333, 0.6667)
    assert found.mrr == 0.5
    assert 0 < found.p50_ms <= found.p95_ms
