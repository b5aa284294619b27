"""How each engine's rows are copied out whole while others write, and put back in one step."""

import os
import re
import shutil
import sqlite3
import subprocess
from pathlib import Path
from typing import Any, Protocol

from django.conf import settings
from django.db import connection

from workshop.backup.manifest import BadBackup
from workshop.errors import DomainError


class CannotBackUp(DomainError):
    """The machine lacks what a backup or restore needs."""

    code = "cannot-back-up"
    status = 409


class Engine(Protocol):
    """One database engine. `version` is its number, larger for later ones."""

    name: str
    file: str

    def version(self) -> int: ...
    def dump(self, folder: Path) -> None: ...
    def refuse_older(self, version: int) -> None: ...
    def load(self, backup: Path) -> None: ...


class SQLite:
    """SQLite by its online backup, in one pass: writers go on, the copy is of one moment.

    (In several passes it begins anew with every write, for ever.)
    """

    name = "sqlite"
    file = "database.sqlite3"

    def path(self) -> Path:
        return Path(settings.DATABASES["default"]["NAME"])

    def version(self) -> int:
        return sqlite3.sqlite_version_info[0]

    def dump(self, folder: Path) -> None:
        target = folder / self.file
        with (
            _closing(sqlite3.connect(self.path(), timeout=20)) as source,
            _closing(sqlite3.connect(target)) as copy,
        ):
            source.backup(copy, pages=-1)
            # One file that stands by itself, without a log beside it.
            copy.execute("PRAGMA journal_mode=DELETE")
            _refuse_unsound(copy)

    def refuse_older(self, version: int) -> None:
        if version > self.version():
            raise BadBackup(f"The backup was made by SQLite {version}; here is {self.version()}.")

    def load(self, backup: Path) -> None:
        """Put the file in place by renaming; the former one goes back when that fails."""
        target = self.path()
        staged = target.with_name(f".{target.name}.restoring")
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(backup / self.file, staged)
        with _closing(sqlite3.connect(staged)) as copy:
            _refuse_unsound(copy)
        _fsync(staged)
        connection.close()
        aside = _move_aside(target)
        try:
            staged.rename(target)
        except BaseException:
            for former, place in aside:
                former.rename(place)
            raise
        _fsync(target.parent)
        for former, _ in aside:
            former.unlink()


def _move_aside(target: Path) -> list[tuple[Path, Path]]:
    """Rename a database and its logs, which belong together. Returns (where, from where)."""
    aside = []
    for end in ("", "-wal", "-shm"):
        place = target.with_name(target.name + end)
        if place.exists():
            aside.append((place.rename(place.with_name(f".{place.name}.former")), place))
    return aside


class _closing:
    """Closes a sqlite3 connection, which its own `with` does not."""

    def __init__(self, opened: sqlite3.Connection) -> None:
        self.opened = opened

    def __enter__(self) -> sqlite3.Connection:
        return self.opened

    def __exit__(self, *_: object) -> None:
        self.opened.close()


def _refuse_unsound(copy: sqlite3.Connection) -> None:
    said = [row[0] for row in copy.execute("PRAGMA integrity_check(5)")]
    if said != ["ok"]:
        raise BadBackup(f"SQLite says of the copy: {'; '.join(said)}.")
    if copy.execute("PRAGMA foreign_key_check").fetchone():
        raise BadBackup("A row of the copy points at a row that is not there.")


def _fsync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


class PostgreSQL:
    """PostgreSQL by its own pg_dump, pg_restore and psql; the password goes by the environment."""

    name = "postgresql"
    file = "database.dump"

    def version(self) -> int:
        """Return the server's major version."""
        connection.ensure_connection()
        return int(connection.pg_version) // 10000  # type: ignore[attr-defined]

    def dump(self, folder: Path) -> None:
        self._refuse_old_tool("pg_dump")
        plain = ["--format=custom", "--no-owner", "--no-privileges", "--schema=public"]
        self._run("pg_dump", *plain, f"--file={folder / self.file}", self._database())

    def refuse_older(self, version: int) -> None:
        if version > self.version():
            raise BadBackup(
                f"The backup was made by PostgreSQL {version}; the server here is "
                f"{self.version()}. Restore into a server at least as new."
            )

    def load(self, backup: Path) -> None:
        """Write all rows in one transaction: the schema is dropped and made anew within it."""
        for tool in ("pg_restore", "psql"):
            self._refuse_old_tool(tool)
        script = Path(settings.DATA_DIR) / f".restoring-{os.getpid()}.sql"
        try:
            script.touch(0o600)
            begin = "DROP SCHEMA public CASCADE; CREATE SCHEMA public;"
            plain = ["--no-owner", "--no-privileges", f"--file={script}"]
            self._run("pg_restore", *plain, str(backup / self.file))
            text = script.read_bytes()
            # A dump of one schema makes it; we have made it already.
            script.write_bytes(re.sub(rb"(?m)^CREATE SCHEMA public;$", b"", text, count=1))
            connection.close()
            strict = ["--no-psqlrc", "--quiet", "--single-transaction", "--set=ON_ERROR_STOP=1"]
            steps = [f"--command={begin}", f"--file={script}"]
            self._run("psql", *strict, *steps, f"--dbname={self._database()}")
        finally:
            script.unlink(missing_ok=True)

    def _database(self) -> str:
        return str(settings.DATABASES["default"]["NAME"])

    def _refuse_old_tool(self, tool: str) -> None:
        """Raise CannotBackUp when the tool is missing or older than the server."""
        cure = f"Install the PostgreSQL client programs of version {self.version()} or later."
        if shutil.which(tool) is None:
            raise CannotBackUp(f"{tool} is not on this machine. {cure}")
        said = self._run(tool, "--version")
        found = re.search(r"(\d+)(?:\.\d+)?", said)
        if found is None or int(found[1]) < self.version():
            raise CannotBackUp(f"{said.strip()} is older than the server. {cure}")

    def _run(self, tool: str, *words: str) -> str:
        ran = subprocess.run(
            [tool, *words], env=_environment(), capture_output=True, text=True, check=False
        )
        if ran.returncode:
            lines = ran.stderr.strip().splitlines() or ["it said nothing"]
            raise CannotBackUp(f"{tool} failed: {lines[0]}")
        return ran.stdout


def _environment() -> dict[str, str]:
    """Return the environment of PostgreSQL's programs, from the settings of the database."""
    stated = settings.DATABASES["default"]
    options = stated.get("OPTIONS", {})
    told: dict[str, Any] = {
        "PGHOST": stated.get("HOST"),
        "PGPORT": stated.get("PORT"),
        "PGUSER": stated.get("USER"),
        "PGPASSWORD": stated.get("PASSWORD"),
        "PGSSLMODE": options.get("sslmode"),
        "PGSSLROOTCERT": options.get("sslrootcert"),
        "PGCONNECT_TIMEOUT": options.get("connect_timeout"),
    }
    return {**os.environ, **{name: str(value) for name, value in told.items() if value}}


def engine() -> Engine:
    """Return the engine of the database that is set."""
    return SQLite() if connection.vendor == "sqlite" else PostgreSQL()
