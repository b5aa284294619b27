"""A database of an earlier release goes on from where it is, and where it was broken off."""

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
from django.db import IntegrityError, connection, transaction
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from psycopg import sql

from tests.factories import Bench, make_bench
from tests.integration.operate.test_restore_drill import connect, manage, objects
from tests.integration.races.conftest import database_url
from tests.running import PYTHON, running, until

OURS = {"workshop", "donors", "parts", "matching"}


def at(names: set[tuple[str, str]], monkeypatch: pytest.MonkeyPatch) -> MigrationLoader:
    """Return what Django sees where just these migrations are on record."""
    others = {key for key in MigrationLoader(None).disk_migrations if key[0] not in OURS}
    applied = dict.fromkeys(names | others)
    monkeypatch.setattr(MigrationRecorder, "applied_migrations", lambda self: applied)
    return MigrationLoader(connection)


def squashed() -> dict[tuple[str, str], list[tuple[str, str]]]:
    disk = MigrationLoader(None).disk_migrations
    return {key: one.replaces for key, one in disk.items() if one.replaces}


@pytest.mark.django_db
@pytest.mark.any_engine
def test_the_release_that_has_all_squashed_steps_and_no_later_one_goes_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A squash that reached beyond a release in one app only would be refused as out of order."""
    steps = {step for replaced in squashed().values() for step in replaced}
    loader = at(steps, monkeypatch)
    loader.check_consistent_history(connection)
    assert squashed().keys() <= loader.graph.nodes.keys()


@pytest.mark.django_db
@pytest.mark.any_engine
def test_a_database_with_some_of_the_steps_goes_on_by_steps(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lines = squashed()
    matching = next(key for key in lines if key[0] == "matching")
    some = {step for replaced in lines.values() for step in replaced[:-1]}
    loader = at(some, monkeypatch)
    loader.check_consistent_history(connection)
    assert matching not in loader.graph.nodes
    assert lines[matching][-1] in loader.graph.nodes


REFUSED = ["workshop.OutboxEvent", "matching.Job", "matching.Need", "matching.Alert"]


@pytest.mark.django_db
def test_code_of_the_squashed_release_reads_today_s_tables_and_records_no_news(
    bench: Bench,
) -> None:
    """It reads and saves every kind of row there is; what it would add unasked it cannot add.

    A machine taken in by it, or a job, is refused as a whole: its event is in the transaction.
    """
    bench.need("W7-60 R1 W", technician=bench.technician)
    bench.donor("W7-60 R1 W")
    bench.drain()
    old = MigrationLoader(connection).project_state(list(squashed())).apps
    rows = {one._meta.label: one._base_manager.first() for one in old.get_models()}
    ours = {label: row for label, row in rows.items() if row and label.split(".")[0] in OURS}
    assert ours.keys() >= {*REFUSED, "donors.Donor", "parts.Part", "matching.Match"}
    for row in ours.values():
        row.save()
    for label in REFUSED:
        row = ours[label]
        row.pk, row._state.adding = None, True
        if label == "workshop.OutboxEvent":
            row.pk = uuid4()
        with pytest.raises(IntegrityError, match=r"(?i)not.null"), transaction.atomic():
            row.save(force_insert=True)


@pytest.fixture
def with_rows(transactional_db: None, tmp_path: Path) -> Iterator[str]:
    """A copy of the database under test, a workshop with a machine and a job in it."""
    bench = make_bench("millrace")
    bench.need("W7-60 R1 W", technician=bench.technician)
    bench.donor("W7-60 R1 W")
    bench.drain()
    if connection.vendor == "sqlite":
        copy = tmp_path / "copy.sqlite3"
        with sqlite3.connect(connection.settings_dict["NAME"]) as here, sqlite3.connect(copy) as to:
            here.backup(to)
        yield f"sqlite:///{copy}"
        return
    name = connection.settings_dict["NAME"]
    address = database_url().rpartition("/")[0]
    here, there = sql.Identifier(name), sql.Identifier(f"{name}_copy")
    connection.close()  # nobody may be in what is copied
    with psycopg.connect(f"{address}/postgres", autocommit=True) as server:
        drop = sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(there)
        server.execute(drop)
        server.execute(sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(there, here))
        yield f"{address}/{name}_copy"
        server.execute(drop)


def by_name(database: str) -> dict[str, list[str]]:
    """Return every row of every table by the names of its columns; of the steps, which are done."""
    opened = connect(database)
    found = {}
    try:
        for table in connection.introspection.table_names():
            rows = opened.execute(f'SELECT * FROM "{table}"')
            columns = [column[0] for column in rows.description]
            kept = [sorted(zip(columns, row, strict=True)) for row in rows.fetchall()]
            if table == "django_migrations":
                kept = [[one for one in row if one[0] in {"app", "name"}] for row in kept]
            found[table] = sorted(map(repr, kept))
    finally:
        opened.close()
    return found


def laid(database: str) -> set[tuple[str, ...]]:
    """Return indexes, triggers and constraints; what SQLite remade is worded anew."""
    return {one[:2] for one in objects(database)}


def test_an_upgrade_killed_half_way_goes_on_and_loses_nothing(
    with_rows: str, tmp_path: Path
) -> None:
    """One step back, on and killed again and again: every row, index and trigger is as before."""
    rows, made = by_name(with_rows), laid(with_rows)
    back = manage("migrate", "workshop", "0009", database=with_rows, data=tmp_path)
    assert back.returncode == 0, back.stderr
    for moment in ("inside", "unrecorded", "reference"):
        killed_in_the_middle(with_rows, tmp_path, moment)
        assert laid(with_rows) != made  # it truly was half-way
    again = manage("migrate", database=with_rows, data=tmp_path)
    assert again.returncode == 0, again.stderr
    assert by_name(with_rows) == rows
    assert laid(with_rows) == made


def killed_in_the_middle(database: str, folder: Path, moment: str) -> None:
    stands = folder / moment
    words = ["-m", "tests.integration.operate.migrating", moment, str(stands)]
    with running(database, folder, DJANGO_SETTINGS_MODULE="config.settings.local") as service:
        service.start("migrate", [PYTHON, *words])
        until(stands.exists)
        service.kill("migrate")
