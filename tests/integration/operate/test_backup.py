"""What a backup and a restore refuse, before anything is changed."""

import json
import os
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from django.db import connection

from tests.factories import NOW, make_bench
from workshop import dispatcher
from workshop.backup import contents, engines, files, manifest, marker
from workshop.backup.backing_up import back_up
from workshop.backup.restoring import restore
from workshop.errors import Conflict

pytestmark = pytest.mark.django_db(transaction=True)
LOAD = engines.PostgreSQL.load
NEEDS_CLIENT = connection.vendor == "postgresql" and not shutil.which("pg_dump")
if NEEDS_CLIENT and os.environ.get("CI", "").lower() not in {"1", "true"}:
    pytest.skip("PostgreSQL's client programs are not on this machine", allow_module_level=True)


@pytest.fixture
def backup(settings, tmp_path: Path) -> Path:
    """A backup of a workshop with one photo; the rows and the photo are still there."""
    settings.DATA_DIR = tmp_path / "data"
    photo = settings.DATA_DIR / "photos/ab/one.jpg"
    photo.parent.mkdir(parents=True)
    photo.write_bytes(b"one")
    make_bench("millrace")
    back_up(tmp_path / "backup", now=NOW)
    return tmp_path / "backup"


@pytest.fixture(autouse=True)
def never_loaded(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> list[Path]:
    """No restore of this module may touch the tests' own database."""
    loaded: list[Path] = []
    for one in (engines.SQLite, engines.PostgreSQL):
        monkeypatch.setattr(one, "load", lambda self, folder: loaded.append(folder))
    return loaded


def edit(**changes: object) -> Callable[[Path], None]:
    def act(backup: Path) -> None:
        path = backup / manifest.NAME
        path.write_text(json.dumps({**json.loads(path.read_text()), **changes}))

    return act


def bitten(backup: Path) -> None:
    (backup / "files/photos/ab/one.jpg").write_bytes(b"two")


def added(backup: Path) -> None:
    (backup / "files/photos/ab/evil.jpg").write_bytes(b"x")


def linked(backup: Path) -> None:
    (backup / "files/photos/ab/one.jpg").unlink()
    (backup / "files/photos/ab/one.jpg").symlink_to("/etc/hostname")


def outside(backup: Path) -> None:
    edit(files={"../elsewhere": [1, "x"]})(backup)


REFUSED: dict[str, tuple[Callable[[Path], None], str]] = {
    "no manifest": (lambda b: (b / manifest.NAME).unlink(), "holds no manifest.json"),
    "manifest cut off": (lambda b: (b / manifest.NAME).write_text("{"), "cannot be read"),
    "another format": (edit(format=2), "a format this version cannot read"),
    "another field": (edit(more=1), "lacks or has what it should not"),
    "a changed photo": (bitten, "ab/one.jpg missing, changed"),
    "a missing photo": (lambda b: (b / "files/photos/ab/one.jpg").unlink(), "missing, changed"),
    "a photo more": (added, "ab/evil.jpg missing, changed or not in the manifest"),
    "a link": (linked, "symbolic link"),
    "a path outside": (outside, "outside of the backup"),
    "another engine": (edit(engine="other"), "same engine"),
    "a newer server": (edit(engine_version=999), "made by"),
    "newer code": (edit(migrations={"parts": ["9999_later"]}), "newer version of the service"),
}


def test_what_is_wrong_with_a_backup_is_found_before_anything_changes(
    backup: Path, never_loaded: list[Path], settings, tmp_path: Path
) -> None:
    for name, (spoil, said) in REFUSED.items():
        spoilt = tmp_path / name
        shutil.copytree(backup, spoilt)
        spoil(spoilt)
        with pytest.raises(manifest.BadBackup, match=said):
            restore(spoilt, now=NOW, replace=True)
        assert never_loaded == [], name
        assert not marker.is_set(), name
    assert (settings.DATA_DIR / "photos/ab/one.jpg").read_bytes() == b"one"


def test_a_place_that_holds_rows_or_files_is_refused(
    backup: Path, never_loaded: list[Path], settings, tmp_path: Path
) -> None:
    with pytest.raises(Conflict, match="--replace"):
        restore(backup, now=NOW)
    settings.DATA_DIR = tmp_path / "nothing"
    settings.DATA_DIR.mkdir()
    with pytest.raises(Conflict, match="--replace"):  # rows alone
        restore(backup, now=NOW)
    assert never_loaded == []
    restore(backup, now=NOW, replace=True)
    assert never_loaded == [backup]
    assert (settings.DATA_DIR / "photos/ab/one.jpg").read_bytes() == b"one"


def test_files_alone_are_refused_too(backup: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(contents, "is_empty", lambda: True)
    with pytest.raises(Conflict, match="--replace"):
        restore(backup, now=NOW)


def test_a_running_service_is_refused(backup: Path, never_loaded: list[Path]) -> None:
    dispatcher.beat(now=NOW - timedelta(seconds=20), handled=0)
    with pytest.raises(Conflict, match="Stop the service"):
        restore(backup, now=NOW, replace=True)
    restore(backup, now=NOW + timedelta(minutes=2), replace=True)
    assert never_loaded == [backup]


def test_a_load_that_fails_puts_the_files_back(
    backup: Path, settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    photos = settings.DATA_DIR / "photos"
    (photos / "ab/newer.jpg").write_bytes(b"newer")
    seen: list[tuple[bool, bool]] = []

    def fail(self: object, folder: Path) -> None:
        seen.append((marker.is_set(), (photos / "ab/newer.jpg").exists()))
        raise engines.CannotBackUp("psql failed")

    for one in (engines.SQLite, engines.PostgreSQL):
        monkeypatch.setattr(one, "load", fail)
    with pytest.raises(engines.CannotBackUp):
        restore(backup, now=NOW, replace=True)
    assert seen == [(True, False)]  # marked, and the files had been swapped
    assert (photos / "ab/newer.jpg").read_bytes() == b"newer"
    assert not marker.is_set()
    assert [path.name for path in settings.DATA_DIR.iterdir()] == ["photos"]


def test_secrets_are_in_only_when_asked_for(backup: Path, settings, tmp_path: Path) -> None:
    key = settings.DATA_DIR / files.SECRET
    key.write_text("the key of the source")
    without = back_up(tmp_path / "without", now=NOW)
    assert not without.secrets
    assert not any(files.SECRET in name for name in without.files)
    with pytest.raises(manifest.BadBackup, match="made without secrets"):
        restore(tmp_path / "without", now=NOW, replace=True, with_secrets=True)
    assert back_up(tmp_path / "with", now=NOW, with_secrets=True).secrets
    key.write_text("the key of the target")
    restore(tmp_path / "with", now=NOW, replace=True)
    assert key.read_text() == "the key of the target"
    restore(tmp_path / "with", now=NOW, replace=True, with_secrets=True)
    assert key.read_text() == "the key of the source"
    assert key.stat().st_mode & 0o077 == 0
    assert (settings.DATA_DIR / "secret.key.before").read_text() == "the key of the target"


def test_a_backup_is_there_whole_or_not_at_all(
    backup: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(Conflict, match="exists already"):
        back_up(backup, now=NOW)

    def fail(self: object, folder: Path) -> None:
        raise OSError("No space left on device")

    for one in (engines.SQLite, engines.PostgreSQL):
        monkeypatch.setattr(one, "dump", fail)
    with pytest.raises(OSError, match="No space"):
        back_up(tmp_path / "second", now=NOW)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["backup", "data"]


def test_a_program_that_is_missing_or_old_is_named(
    settings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if connection.vendor == "sqlite":
        pytest.skip("SQLite needs no other program")
    settings.DATA_DIR = tmp_path
    monkeypatch.setattr(engines.PostgreSQL, "version", lambda self: 99)
    with pytest.raises(engines.CannotBackUp, match="older than the server"):
        back_up(tmp_path / "one", now=NOW)
    monkeypatch.setattr(engines.shutil, "which", lambda tool: None)
    with pytest.raises(engines.CannotBackUp, match="pg_dump is not on this machine"):
        back_up(tmp_path / "one", now=NOW)


def test_no_password_is_among_the_words_of_a_program(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Anybody on the machine can read those; the environment only its owner."""
    ran: list[tuple[list[str], dict[str, str]]] = []

    def record(words: list[str], *, env: dict[str, str], **_: object) -> SimpleNamespace:
        ran.append((words, env))
        return SimpleNamespace(returncode=0, stdout="pg_dump 99.1", stderr="")

    stated = {"NAME": "parts", "USER": "bench", "PASSWORD": "hunter2", "OPTIONS": {}}
    told = SimpleNamespace(DATABASES={"default": stated}, DATA_DIR=tmp_path)
    monkeypatch.setattr(engines, "settings", told)
    monkeypatch.setattr(engines.subprocess, "run", record)
    monkeypatch.setattr(engines.shutil, "which", lambda tool: f"/usr/bin/{tool}")
    monkeypatch.setattr(engines.PostgreSQL, "version", lambda self: 15)
    engines.PostgreSQL().dump(tmp_path)
    LOAD(engines.PostgreSQL(), tmp_path)
    used = [Path(words[0]).name for words, _ in ran if "--version" not in words]
    assert used == ["pg_dump", "pg_restore", "psql"]
    assert not any("hunter2" in word for words, _ in ran for word in words)
    assert {env["PGPASSWORD"] for _, env in ran} == {"hunter2"}
