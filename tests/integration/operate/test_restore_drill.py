"""The restore drill: back up while a process writes, restore into an empty place, compare rows."""

import http.client
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import threading
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.contrib.auth.hashers import PBKDF2PasswordHasher
from django.db import connection
from psycopg import sql

from matching.models import Alert
from tests.factories import PASSWORD, make_bench
from tests.integration.races.conftest import database_url
from tests.running import Running, running, until
from workshop.backup import manifest

ROOT = Path(__file__).resolve().parents[3]
Rows = dict[str, list[str]]

NO_CLIENT = "" if shutil.which("pg_dump") and shutil.which("psql") else "pg_dump is not here"
IN_CI = os.environ.get("CI", "").lower() in {"1", "true"}
pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def client_programs() -> None:
    if connection.vendor == "postgresql" and NO_CLIENT:
        assert not IN_CI, "CI installs PostgreSQL's client programs (.ci/run)"
        pytest.skip("PostgreSQL's client programs (pg_dump, psql) are not on this machine")


def manage(*words: str, database: str, data: Path) -> subprocess.CompletedProcess[str]:
    environment = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "config.settings.local",
        "DATABASE_URL": database,
        "DATA_DIR": str(data),
        "SECRET_KEY": "",
        "REDIS_URL": "",
    }
    return subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def empty_place(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """An empty database on the engine under test and an empty DATA_DIR."""
    data = tmp_path / "elsewhere"
    data.mkdir()
    if connection.vendor == "sqlite":
        yield f"sqlite:///{data / 'workshop.sqlite3'}", data
        return
    name = f"{connection.settings_dict['NAME']}_restored"
    address = database_url().rpartition("/")[0]
    with psycopg.connect(f"{address}/postgres", autocommit=True) as server:
        drop = sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
        server.execute(drop)
        server.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        yield f"{address}/{name}", data
        server.execute(drop)


def connect(database: str) -> Any:
    if database.startswith("sqlite"):
        return sqlite3.connect(database.removeprefix("sqlite:///"))
    return psycopg.connect(database)


def every_row(database: str) -> Rows:
    """Return every row of every table as text, read past the service and its models."""
    of_sqlite = "SELECT name FROM sqlite_master WHERE type='table' AND name NOT LIKE 'sqlite_%'"
    of_postgres = "SELECT tablename FROM pg_tables WHERE schemaname='public'"
    opened = connect(database)
    try:
        asked = opened.execute(of_sqlite if database.startswith("sqlite") else of_postgres)
        return {
            table: sorted(map(repr, opened.execute(f'SELECT * FROM "{table}"').fetchall()))
            for (table,) in asked.fetchall()
        }
    finally:
        opened.close()


def objects(database: str) -> list[tuple[str, ...]]:
    """Return indexes, triggers and constraints by name."""
    opened = connect(database)
    try:
        if database.startswith("sqlite"):
            return sorted(opened.execute("SELECT type, name, coalesce(sql,'') FROM sqlite_master"))
        asked = (
            "SELECT 'i', indexname FROM pg_indexes WHERE schemaname='public' UNION ALL "
            "SELECT 't', tgname FROM pg_trigger WHERE NOT tgisinternal UNION ALL "
            # By name: the server words a condition anew when it reads it back.
            "SELECT 'c', conname FROM pg_constraint "
            "WHERE connamespace='public'::regnamespace"
        )
        return sorted(opened.execute(asked).fetchall())
    finally:
        opened.close()


def differences(one: Rows, other: Rows) -> dict[str, tuple[int, int]]:
    """Return the tables whose rows differ: (rows of one only, rows of the other only)."""
    found = {}
    for table in {*one, *other}:
        here, there = set(one.get(table, [])), set(other.get(table, []))
        if here != there or (table in one) != (table in other):
            found[table] = (len(here - there), len(there - here))
    return found


class Writer:
    """The writing process; knows the last number it has said was committed."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.integration.operate.writer"],
            cwd=ROOT,
            env={**os.environ, "TEST_DATABASE_URL": database_url()},
            stdout=subprocess.PIPE,
            text=True,
        )
        self.committed = 0
        self.begun = threading.Event()
        self.reader = threading.Thread(target=self._read, daemon=True)
        self.reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.committed = int(line)
            self.begun.set()

    def stop(self) -> None:
        self.process.kill()
        self.process.wait(30)
        self.reader.join(30)


@pytest.fixture
def writer() -> Iterator[Writer]:
    make_bench("millrace")
    started = Writer()
    assert started.begun.wait(60)
    yield started
    started.stop()


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """A DATA_DIR with photos, a lookup snapshot, and a key of its own."""
    data = tmp_path / "source"
    for name, content in (
        ("photos/ab/one.jpg", b"\xff\xd8 one"),
        ("photos/cd/two.small.jpg", b"\xff\xd8 two"),
        ("lookup/workshop-1.numbers", b"a snapshot of other rows"),
        ("secret.key", b"k" * 50),
    ):
        (data / name).parent.mkdir(parents=True, exist_ok=True)
        (data / name).write_bytes(content)
    return data


def files_of(data: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(data)): path.read_bytes()
        for path in sorted(data.rglob("*"))
        if path.is_file() and ".sqlite3" not in path.name
    }


def of_writer(rows: Rows) -> tuple[set[int], set[int]]:
    """Return the writer's numbers found in each of its two tables."""
    counters = {
        int(r.split("'w")[1].split("'")[0]) for r in rows["workshop_refcounter"] if "'w" in r
    }
    replies = {int(r.split("'w")[1].split("'")[0]) for r in rows["workshop_keptreply"] if "'w" in r}
    return counters, replies


def test_the_restore_drill(
    writer: Writer, source: Path, empty_place: tuple[str, Path], tmp_path: Path
) -> None:
    database, data = empty_place
    backup = tmp_path / "backup"
    before = writer.committed
    made = manage("backup", str(backup), database=database_url(), data=source)
    after = writer.committed
    assert made.returncode == 0, made.stderr
    assert "Not in it: secret.key" in made.stdout
    assert after > before + 10, "the writer stood still while the backup was made"
    writer.stop()

    restored = manage("restore", str(backup), database=database, data=data)
    assert restored.returncode == 0, restored.stderr
    here, there = every_row(database_url()), every_row(database)

    # One moment of the writer: a gapless run of whole transactions, nothing older missing.
    counters, replies = of_writer(there)
    assert counters == replies == set(range(1, len(counters) + 1))
    assert before <= len(counters) <= writer.committed + 1
    # And row for row the same but for what was written after that moment.
    later = len(of_writer(here)[0]) - len(counters)
    found = differences(here, there)
    assert later > 0
    assert found == {"workshop_refcounter": (later, 0), "workshop_keptreply": (later, 0)}
    assert objects(database_url()) == objects(database)

    # Photos byte for byte; the snapshot is rebuilt when asked, the key is this machine's own.
    theirs, ours = files_of(data), files_of(source)
    assert {name for name in theirs if name.startswith("photos/")} == {
        "photos/ab/one.jpg",
        "photos/cd/two.small.jpg",
    }
    assert all(theirs[name] == ours[name] for name in theirs if name.startswith("photos/"))
    assert not any(name.startswith("lookup/") for name in theirs)
    assert theirs.get("secret.key") != ours["secret.key"]

    # The comparison bites: one changed value is found.
    opened = connect(database)
    opened.execute("UPDATE workshop_workshop SET hold_days = hold_days + 1")
    opened.commit()
    opened.close()
    assert differences(there, every_row(database)) == {"workshop_workshop": (1, 1)}

    # What is there is not lost unasked; a dump that breaks half-way changes nothing.
    full = every_row(database)
    refused = manage("restore", str(backup), database=database, data=data)
    assert refused.returncode != 0
    assert "holds something. Nothing was restored" in refused.stderr
    break_dump(backup)
    photo = data / "photos/ab/one.jpg"
    photo.write_bytes(b"newer")
    broken = manage("restore", str(backup), "--replace", database=database, data=data)
    assert broken.returncode != 0
    assert (
        "failed" in broken.stderr or "SQLite says" in broken.stderr or "malformed" in broken.stderr
    )
    assert differences(full, every_row(database)) == {}
    assert photo.read_bytes() == b"newer"
    left = [path.name for path in data.iterdir() if path.name.startswith((".restoring", ".former"))]
    assert left == []
    assert not (data / "restore.unfinished").exists()

    # The restored database takes new rows: its sequences went along.
    opened = connect(database)
    columns = [name for name in key_columns(opened, database) if name != "id"]
    opened.execute(
        f"INSERT INTO workshop_refcounter ({', '.join(columns)}) "
        "SELECT 'new', 1, min(id) FROM workshop_workshop"
    )
    opened.commit()
    opened.close()


def key_columns(opened: Any, database: str) -> list[str]:
    found = opened.execute("SELECT * FROM workshop_refcounter LIMIT 0")
    names = [column[0] for column in found.description]
    assert sorted(names) == ["id", "last", "prefix", "workshop_id"]
    return ["id", "prefix", "last", "workshop_id"]


def break_dump(backup: Path) -> None:
    """Damage the dump so that reading it fails, and make its checksum agree with that."""
    stated = manifest.read(backup)
    name = next(one for one in stated.files if one.startswith("database."))
    content = bytearray((backup / name).read_bytes())
    middle = len(content) // 2
    content[middle:] = bytes(len(content) - middle)
    (backup / name).write_bytes(content)
    found = json.loads((backup / manifest.NAME).read_text())
    found["files"][name] = manifest.fingerprint(backup / name)
    (backup / manifest.NAME).write_text(json.dumps(found))


def told(database: str) -> list[tuple[Any, ...]]:
    """Return of each row of the inbox whom it tells, and of which arrival for which need."""
    opened = connect(database)
    try:
        asked = "SELECT recipient_id, arrival, need_id FROM matching_alert WHERE news='found'"
        return sorted(opened.execute(asked).fetchall(), key=repr)
    finally:
        opened.close()


def say(database: str, *statements: str) -> None:
    opened = connect(database)
    for statement in statements:
        opened.execute(statement)
    opened.commit()
    opened.close()


def open_events(database: str) -> int:
    opened = connect(database)
    try:
        asked = "SELECT count(*) FROM workshop_outboxevent WHERE done_at IS NULL"
        return int(opened.execute(asked).fetchone()[0])
    finally:
        opened.close()


def signed_in(service: Running, name: str, password: str) -> bool:
    """Sign in as a browser does; return whether the first page is then shown."""
    cookies: dict[str, str] = {}

    def ask(method: str, path: str, **fields: str) -> tuple[int, str]:
        link = http.client.HTTPConnection("127.0.0.1", service.port, timeout=30)
        body = urllib.parse.urlencode(fields)
        headers = {"Cookie": "; ".join(f"{key}={value}" for key, value in cookies.items())}
        if fields:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        link.request(method, path, body=body, headers=headers)
        answer = link.getresponse()
        for line in answer.headers.get_all("Set-Cookie") or []:
            key, _, value = line.partition(";")[0].partition("=")
            cookies[key] = value
        text = answer.read().decode()
        link.close()
        return answer.status, text

    _, form = ask("GET", "/sign-in/")
    [token] = set(re.findall(r'name="csrfmiddlewaretoken" value="(\w+)"', form))
    ask("POST", "/sign-in/", username=name, password=password, csrfmiddlewaretoken=token)
    return ask("GET", "/")[0] == 200


AGAIN = "UPDATE workshop_outboxevent SET done_at = NULL, attempts = 0"


def test_after_a_restore_people_sign_in_and_nobody_is_told_twice(
    empty_place: tuple[str, Path], tmp_path: Path
) -> None:
    """All that had been told stands open again, as where the backup is older than the telling.

    The control is the inbox without its constraint, which is told once more.
    """
    database, data = empty_place
    bench = make_bench("millrace")
    user = bench.technician.user
    user.password = PBKDF2PasswordHasher().encode(PASSWORD, "salt", 1000)
    user.save()
    bench.need("W7-60 R1 W", technician=bench.technician)
    bench.donor("W7-60 R1 W")
    bench.drain()
    assert Alert.of(bench.workshop).filter(news="found").exists()
    backup = tmp_path / "backup"
    made = manage("backup", str(backup), database=database_url(), data=tmp_path)
    assert made.returncode == 0, made.stderr
    restored = manage("restore", str(backup), database=database, data=data)
    assert restored.returncode == 0, restored.stderr

    before = told(database)
    assert before == told(database_url())
    say(database, AGAIN)
    with running(database, data.parent, DATA_DIR=str(data)) as service:
        service.extra["DJANGO_SETTINGS_MODULE"] = "config.settings.local"
        service.start_embedded()
        assert signed_in(service, user.username, PASSWORD)
        assert not signed_in(service, user.username, "another-password-than-theirs")
        until(lambda: not open_events(database))
        assert told(database) == before
        say(database, "DROP INDEX alert_never_twice", AGAIN)
        until(lambda: not open_events(database))
        assert len(told(database)) == 2 * len(before)
