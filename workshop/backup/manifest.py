"""What a backup holds: its files with size and SHA-256, and which code and database made it.

A backup is a folder: manifest.json, the database (database.sqlite3 or database.dump) and the
files under files/. The manifest is written last; a folder without one is no backup.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from workshop.errors import InputRefused

NAME = "manifest.json"
FORMAT = 1


@dataclass(frozen=True)
class Manifest:
    """format: of the folder. engine: sqlite or postgresql, engine_version its number as it says.

    made_at: RFC 3339. migrations: app -> names applied. tables: their names.
    files: path in the folder -> [bytes, SHA-256]. secrets: True when secret.key is in it.
    """

    engine: str
    engine_version: int
    made_at: str
    migrations: dict[str, list[str]]
    tables: list[str]
    secrets: bool
    files: dict[str, list[Any]] = field(default_factory=dict)
    format: int = FORMAT


class BadBackup(InputRefused):
    """The folder is no backup, or not whole."""

    code = "bad-backup"
    status = 409


def fingerprint(path: Path) -> list[Any]:
    """Return [bytes, SHA-256 in hex] of a file, read in pieces."""
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
            size += len(piece)
    return [size, digest.hexdigest()]


def fingerprints(folder: Path) -> dict[str, list[Any]]:
    """Return the fingerprint of every file in the folder but the manifest, by relative path."""
    paths = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {
        path.relative_to(folder).as_posix(): fingerprint(path)
        for path in paths
        if path != folder / NAME
    }


def write(manifest: Manifest, folder: Path) -> None:
    text = json.dumps(asdict(manifest), indent=1, sort_keys=True)
    (folder / NAME).write_text(text + "\n", encoding="utf-8")


def read(folder: Path) -> Manifest:
    """Return the manifest of a backup. Raises BadBackup with what is wrong."""
    try:
        found = json.loads((folder / NAME).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BadBackup(
            f"{folder} holds no {NAME}: it is no backup, or one that was cut off."
        ) from None
    except ValueError as bad:
        raise BadBackup(f"{folder / NAME} cannot be read: {bad}.") from bad
    if not isinstance(found, dict) or found.get("format") != FORMAT:
        raise BadBackup(
            f"{folder / NAME} has a format this version cannot read; it reads format {FORMAT}. "
            "Restore with the version of the service that made the backup."
        )
    try:
        return Manifest(**found)
    except TypeError as bad:
        raise BadBackup(f"{folder / NAME} lacks or has what it should not: {bad}.") from bad


def refuse_damaged(folder: Path, files: Mapping[str, list[Any]]) -> None:
    """Raise BadBackup when a file is missing, changed, or not in the manifest."""
    for name in files:
        inside = PurePosixPath(name)
        if inside.is_absolute() or ".." in inside.parts:
            raise BadBackup(f"The manifest names {name}, which lies outside of the backup.")
    if any(path.is_symlink() for path in folder.rglob("*")):
        raise BadBackup("The backup holds a symbolic link; a backup is made of plain files.")
    there = fingerprints(folder)
    wrong = sorted(
        name for name in {*there, *files} if there.get(name) != list(files.get(name, ()))
    )
    if wrong:
        more = f" and {len(wrong) - 5} more" if len(wrong) > 5 else ""
        raise BadBackup(
            f"The backup is damaged: {', '.join(wrong[:5])}{more} missing, changed or not in the "
            "manifest. Nothing was restored. Use another backup."
        )
