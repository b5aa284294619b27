"""Load the reference data of fixtures/reference/ after each migrate, when a file has changed."""

import hashlib
import json
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

from django.conf import settings
from django.db import models, transaction

from workshop.models import ReferenceRelease

Loader = Callable[[list[dict[str, Any]]], None]
_loaders: dict[str, Loader] = {}


def loads(name: str) -> Callable[[Loader], Loader]:
    """Register the loader of one reference file. Files load in the order of registration."""

    def register(loader: Loader) -> Loader:
        _loaders[name] = loader
        return loader

    return register


@lru_cache(maxsize=32)
def read(name: str) -> Any:
    """Return a reference file as parsed JSON (read once a process)."""
    return json.loads(_path(name).read_text(encoding="utf-8"))


def load_all() -> list[str]:
    """Load every file whose text changed since it was loaded last. Returns their names."""
    known = dict(ReferenceRelease.objects.values_list("name", "sha256"))
    loaded = []
    for name, loader in _loaders.items():
        sha256 = hashlib.sha256(_path(name).read_bytes()).hexdigest()
        if known.get(name) == sha256:
            continue
        with transaction.atomic():
            loader(read(name))
            ReferenceRelease.objects.update_or_create(name=name, defaults={"sha256": sha256})
        loaded.append(name)
    return loaded


def upsert(rows: Sequence[models.Model], *, unique: Sequence[str], update: Sequence[str]) -> None:
    """Insert rows, or bring the named columns of those already there up to date."""
    if not rows:
        return
    rows[0]._meta.default_manager.bulk_create(  # type: ignore[union-attr]
        rows,
        update_conflicts=True,
        unique_fields=list(unique),
        update_fields=list(update),
        batch_size=500,
    )


def _path(name: str) -> Any:
    return settings.REFERENCE_DIR / f"{name}.json"
