"""A shelf as one file: a header in JSON, then the arrays as they lie in memory.

Written beside its place and renamed over it, so a reader sees the old file or the new one.
The header holds a checksum of the arrays; a file that does not agree is taken for missing.
"""

import contextlib
import json
import os
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from donors.domain.lookup.index import ARRAYS, Index
from donors.domain.lookup.shelf import MODEL_ARRAYS, Shelf

MAGIC = b"numbers1"
ALIGN = 64
STALE_SECONDS = 600  # a rebuild that took longer than this has died


@dataclass(frozen=True)
class Snapshot:
    """A mapped file: its shelf, the position in the log it was taken at, which file it was."""

    shelf: Shelf
    at: tuple[int, str]
    stamp: tuple[int, int]
    generation: int


def write(path: Path, shelf: Shelf, at: tuple[int, str]) -> None:
    """Write the shelf as the next generation of the snapshot."""
    path.parent.mkdir(parents=True, exist_ok=True)
    before = _header(path)
    arrays = {name: getattr(shelf.index, name) for name in ARRAYS}
    arrays |= {name: getattr(shelf, name) for name in MODEL_ARRAYS}
    place, table, check = 0, {}, 0
    for name, held in arrays.items():
        flat = np.ascontiguousarray(held)
        table[name] = [flat.dtype.str, len(flat), place]
        check = zlib.crc32(flat.view(np.uint8).data, check)
        place += -(-flat.nbytes // ALIGN) * ALIGN
    header = {
        "generation": (before["generation"] if before else 0) + 1,
        "at": list(at),
        "arrays": table,
        "crc32": check,
        "bytes": place,
        "words": shelf.words,
        "odd": {str(row): number for row, number in shelf.index.odd.items()},
        "masks": {str(size): masks for size, masks in shelf.index.masks.items()},
    }
    text = json.dumps(header).encode()
    text += b" " * (-(len(MAGIC) + 8 + len(text)) % ALIGN)
    passing = path.with_name(f"{path.name}.{os.getpid()}.new")
    with passing.open("wb") as file:
        file.write(MAGIC + len(text).to_bytes(8, "little") + text)
        for held in arrays.values():
            flat = np.ascontiguousarray(held)
            file.write(flat.view(np.uint8).data)
            file.write(b"\0" * (-flat.nbytes % ALIGN))
        file.flush()
        os.fsync(file.fileno())
    passing.replace(path)


def read(path: Path) -> Snapshot | None:
    """Map the snapshot; None when there is none or it is not sound."""
    header = _header(path)
    if header is None:
        return None
    try:
        mapped = np.memmap(path, dtype=np.uint8, mode="r")
        start = len(MAGIC) + 8 + int.from_bytes(mapped[len(MAGIC) : len(MAGIC) + 8], "little")
        if len(mapped) != start + header["bytes"]:
            return None
        arrays, check = {}, 0
        for name, (dtype, size, place) in header["arrays"].items():
            end = start + place + size * np.dtype(dtype).itemsize
            part = mapped[start + place : end]
            check = zlib.crc32(part.data, check)
            arrays[name] = np.asarray(part).view(dtype)
        if check != header["crc32"]:
            return None
        return Snapshot(_shelf(header, arrays), _at(header), stamp(path), header["generation"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _shelf(header: dict[str, Any], arrays: dict[str, np.ndarray]) -> Shelf:
    index = Index(
        **{name: arrays[name] for name in ARRAYS},
        odd={int(row): number for row, number in header["odd"].items()},
        masks={
            int(size): tuple(tuple(mask) for mask in masks)
            for size, masks in header["masks"].items()
        },
    )
    models = {name: arrays[name] for name in MODEL_ARRAYS}
    return Shelf(index=index, **models, words=header["words"])


_sound: dict[Path, tuple[int, int]] = {}


def is_sound(path: Path) -> bool:
    """Whether the snapshot agrees with its checksum; each file is read through only once."""
    now = stamp(path)
    if _sound.get(path) != now:
        if read(path) is None:
            return False
        _sound[path] = now
    return True


def position(path: Path) -> tuple[int, str] | None:
    """Return where in the log the snapshot was taken, None when there is no sound header."""
    header = _header(path)
    return _at(header) if header else None


def _at(header: dict[str, Any]) -> tuple[int, str]:
    return int(header["at"][0]), str(header["at"][1])


def stamp(path: Path) -> tuple[int, int]:
    """Return what tells one file from the next at the same place; (0, 0) when there is none."""
    try:
        found = path.stat()
    except OSError:
        return (0, 0)
    return found.st_ino, found.st_mtime_ns


def _header(path: Path) -> dict[str, Any] | None:
    try:
        with path.open("rb") as file:
            if file.read(len(MAGIC)) != MAGIC:
                return None
            size = int.from_bytes(file.read(8), "little")
            found = json.loads(file.read(size)) if size < 1 << 28 else None
            return found if isinstance(found, dict) else None
    except (OSError, ValueError):
        return None


@contextlib.contextmanager
def alone(path: Path, *, now: datetime) -> Iterator[bool]:
    """Yield True when no other process is writing this snapshot, False otherwise."""
    path.parent.mkdir(parents=True, exist_ok=True)
    lock = path.with_name(f"{path.name}.lock")
    with contextlib.suppress(OSError):
        if now.timestamp() - lock.stat().st_mtime > STALE_SECONDS:
            lock.unlink()
    try:
        handle = os.open(lock, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    except FileExistsError:
        yield False
        return
    try:
        yield True
    finally:
        os.close(handle)
        lock.unlink(missing_ok=True)
