"""The files under DATA_DIR that belong to the database, and those that do not.

In: photos. Out: lookup snapshots (rebuilt from the database when first asked), static files
(collected again), figures of web processes, and secret.key unless told otherwise.
"""

import os
import shutil
from pathlib import Path

from django.conf import settings

FOLDERS = ("photos",)
REBUILT = ("lookup",)
SECRET = "secret.key"
INSIDE = "files"


def data_dir() -> Path:
    return Path(settings.DATA_DIR)


def copy_new(target: Path) -> None:
    """Copy the files that are not in `target` yet. One that is deleted meanwhile is left out.

    Called before and after the database is read: what its rows speak of was there at one of
    the two moments, or was made and deleted in between.
    """
    for name in FOLDERS:
        source = data_dir() / name
        for path in sorted(source.rglob("*")) if source.is_dir() else []:
            copy = target / INSIDE / path.relative_to(data_dir())
            if path.is_file() and not copy.exists():
                _copy(path, copy)


def copy_secret(target: Path) -> bool:
    """Copy secret.key, readable by its owner only. Returns False where there is none."""
    source = data_dir() / SECRET
    if not source.is_file():
        return False
    _copy(source, target / INSIDE / SECRET)
    (target / INSIDE / SECRET).chmod(0o600)
    return True


def _copy(path: Path, copy: Path) -> None:
    copy.parent.mkdir(parents=True, exist_ok=True)
    try:
        shutil.copyfile(path, copy)
    except FileNotFoundError:
        copy.unlink(missing_ok=True)


def flush(folder: Path) -> None:
    """Write everything in the folder to the disk, so that a power cut keeps it."""
    for path in [*folder.rglob("*"), folder, folder.parent]:
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def are_there() -> bool:
    """Return True when DATA_DIR holds files a restore would replace."""
    return any(
        path.is_file()
        for name in FOLDERS
        if (data_dir() / name).is_dir()
        for path in (data_dir() / name).rglob("*")
    )


def stage(backup: Path) -> Path:
    """Copy the backup's files beside where they go. Returns the folder of the copies."""
    staged = data_dir() / f".restoring-{os.getpid()}"
    shutil.rmtree(staged, ignore_errors=True)
    staged.mkdir(parents=True)
    for name in FOLDERS:
        source = backup / INSIDE / name
        if source.is_dir():
            shutil.copytree(source, staged / name)
        else:
            (staged / name).mkdir()
    flush(staged)
    return staged


class Swapped:
    """Staged folders put in place by renaming; `undo` puts the former ones back."""

    def __init__(self, staged: Path) -> None:
        self.staged = staged
        self.former = data_dir() / f".former-{os.getpid()}"
        shutil.rmtree(self.former, ignore_errors=True)
        self.former.mkdir()
        self.done: list[str] = []

    def do(self) -> None:
        for name in FOLDERS:
            if (data_dir() / name).exists():
                (data_dir() / name).rename(self.former / name)
            self.done.append(name)
            (self.staged / name).rename(data_dir() / name)

    def undo(self) -> None:
        for name in self.done:
            shutil.rmtree(data_dir() / name, ignore_errors=True)
            if (self.former / name).exists():
                (self.former / name).rename(data_dir() / name)

    def tidy(self) -> None:
        """Take away what was put aside, by restores that were cut off too."""
        for pattern in (".former-*", ".restoring-*"):
            for left in data_dir().glob(pattern):
                shutil.rmtree(left, ignore_errors=True)


def restore_secret(backup: Path) -> None:
    """Put the backup's secret.key in place; a key that stood there is kept beside it."""
    target = data_dir() / SECRET
    if target.exists():
        target.replace(target.with_suffix(".key.before"))
    _copy(backup / INSIDE / SECRET, target)
    target.chmod(0o600)


def drop_rebuilt() -> None:
    """Take away what is rebuilt from the database: a snapshot of other rows must not be read."""
    for name in REBUILT:
        shutil.rmtree(data_dir() / name, ignore_errors=True)
