"""The files of photos under DATA_DIR/photos: two JPEG files each, under random names.

A file is written and flushed before its row is committed, and taken away after its row is gone.
What a rollback or a crash leaves behind has no row; the sweep takes it away. So a row without
its files means that somebody took them: the page says so.
"""

import os
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from uuid import UUID

from django.conf import settings

from parts.models import Photo
from workshop.dispatcher import sweeps

SMALL = ".small"
SUFFIX = ".jpg"
# Longer than any request that is still writing its row.
GRACE = timedelta(hours=1)
SWEEP_EVERY = timedelta(hours=1)
A_LOOK = 500
_swept_at: list[datetime] = []


def folder() -> Path:
    return Path(settings.DATA_DIR) / "photos"


def path(photo_id: UUID, *, small: bool = False) -> Path:
    """Return where a photo's file lies, or its small copy's."""
    name = photo_id.hex + (SMALL if small else "") + SUFFIX
    return folder() / photo_id.hex[:2] / name


def write(photo_id: UUID, large: bytes, small: bytes) -> None:
    """Write both files and flush them to the disk."""
    for content, target in ((large, path(photo_id)), (small, path(photo_id, small=True))):
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())


def remove(photo_id: UUID) -> None:
    """Take both files away; those that are gone already are no fault."""
    for small in (False, True):
        path(photo_id, small=small).unlink(missing_ok=True)


def are_there(photo_id: UUID) -> bool:
    """Return True when the photo and its small copy are on the disk."""
    return all(path(photo_id, small=small).is_file() for small in (False, True))


@sweeps
def sweep_orphans(now: datetime) -> int:
    """Take away files without a row, at most once an hour. Returns how many files."""
    if _swept_at and now - _swept_at[-1] < SWEEP_EVERY:
        return 0
    _swept_at[:] = [now]
    return remove_orphans(now)


def remove_orphans(now: datetime) -> int:
    """Take away files without a row that are older than GRACE. Returns how many."""
    gone = 0
    for page in _pages(_old_files(now - GRACE)):
        known = Photo.objects.unscoped().filter(pk__in=page).values_list("pk", flat=True)
        for photo_id in set(page) - set(known):
            for file in page[photo_id]:
                file.unlink(missing_ok=True)
                gone += 1
    return gone


def _old_files(before: datetime) -> Iterator[tuple[UUID, Path]]:
    for file in folder().glob(f"*/*{SUFFIX}"):
        try:
            photo_id = UUID(hex=file.name.removesuffix(SUFFIX).removesuffix(SMALL))
            written = file.stat().st_mtime
        except (ValueError, OSError):
            continue  # not ours, or taken away meanwhile
        if written < before.timestamp():
            yield photo_id, file


def _pages(files: Iterator[tuple[UUID, Path]]) -> Iterator[dict[UUID, list[Path]]]:
    page: dict[UUID, list[Path]] = {}
    for photo_id, file in files:
        page.setdefault(photo_id, []).append(file)
        if len(page) >= A_LOOK:
            yield page
            page = {}
    if page:
        yield page
