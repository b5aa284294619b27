"""Restore a backup: everything is looked at first, then all of it is put in place or nothing."""

from datetime import datetime, timedelta
from pathlib import Path

from django.db import DatabaseError, connection

from workshop.backup import contents, engines, files, manifest, marker
from workshop.errors import Conflict
from workshop.models import DispatcherPulse

RUNS_WITHIN = timedelta(seconds=60)


def restore(
    backup: Path, *, now: datetime, replace: bool = False, with_secrets: bool = False
) -> manifest.Manifest:
    """Put the backup's rows and files in the place of what is here.

    replace: what is here may go; without it a place that holds anything is refused.
    with_secrets: the backup's secret.key too. Raises BadBackup, CannotBackUp or Conflict before
    anything is changed; an error after that puts the files back, and the rows were never changed.
    """
    found = manifest.read(backup)
    manifest.refuse_damaged(backup, found.files)
    engine = engines.engine()
    _refuse_other_version(found, engine)
    if with_secrets and not found.secrets:
        raise manifest.BadBackup("The backup was made without secrets. Leave --with-secrets out.")
    _refuse_running(now)
    if not replace and not _is_free():
        raise Conflict(
            "The database or DATA_DIR holds something. Nothing was restored. Name an empty "
            "database and DATA_DIR, or say --replace to lose what is here."
        )
    _put_in_place(backup, engine)
    if with_secrets:
        files.restore_secret(backup)
    return found


def _refuse_other_version(found: manifest.Manifest, engine: engines.Engine) -> None:
    if found.engine != engine.name:
        raise manifest.BadBackup(
            f"The backup is of {found.engine}; the database set here is {engine.name}. Set "
            "DATABASE_URL to a database of the same engine."
        )
    engine.refuse_older(found.engine_version)
    newer = contents.unknown_here(found.migrations)
    if newer:
        raise manifest.BadBackup(
            f"The backup is of a newer version of the service (it knows {newer[0]}). Install that "
            "version, then restore."
        )


def _refuse_running(now: datetime) -> None:
    """Raise Conflict while a dispatcher says it is alive: it would write into what is replaced."""
    try:
        alive = DispatcherPulse.objects.filter(beat_at__gte=now - RUNS_WITHIN).exists()
    except DatabaseError:  # no such table: an empty database
        connection.close()
        return
    if alive:
        raise Conflict(
            "A dispatcher wrote to this database within the last minute. Stop the service, wait "
            "a minute, then restore."
        )


def _is_free() -> bool:
    return contents.is_empty() and not files.are_there() and not marker.is_set()


def _put_in_place(backup: Path, engine: engines.Engine) -> None:
    """Stage everything, then swap the files and load the rows under a mark."""
    swapped = files.Swapped(files.stage(backup))
    marker.put()
    try:
        swapped.do()
        files.drop_rebuilt()
        engine.load(backup)
    except BaseException:
        swapped.undo()
        marker.take_away()
        swapped.tidy()
        raise
    marker.take_away()
    swapped.tidy()
