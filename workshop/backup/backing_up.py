"""Make a backup: a folder that is whole or not there."""

import shutil
from datetime import datetime
from pathlib import Path

from django.db import connection

from workshop.backup import contents, engines, files, manifest
from workshop.errors import Conflict


def back_up(target: Path, *, now: datetime, with_secrets: bool = False) -> manifest.Manifest:
    """Write a backup into the new folder `target` while the service runs.

    Raises Conflict when something is there, CannotBackUp when a program is missing.
    """
    if target.exists():
        raise Conflict(f"{target} exists already. Name a folder that is not there yet.")
    unfinished = target.with_name(f".{target.name}.unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)
    unfinished.mkdir(parents=True, mode=0o700)
    try:
        made = _fill(unfinished, now=now, with_secrets=with_secrets)
        files.flush(unfinished)
        unfinished.rename(target)
        files.flush(target)
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise
    return made


def _fill(folder: Path, *, now: datetime, with_secrets: bool) -> manifest.Manifest:
    engine = engines.engine()
    files.copy_new(folder)
    engine.dump(folder)
    files.copy_new(folder)
    secrets = with_secrets and files.copy_secret(folder)
    made = manifest.Manifest(
        engine=engine.name,
        engine_version=engine.version(),
        made_at=now.isoformat(),
        migrations=contents.applied(),
        tables=contents.tables(),
        secrets=secrets,
        files=manifest.fingerprints(folder),
    )
    connection.close()
    manifest.write(made, folder)
    return made
