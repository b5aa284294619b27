"""The known numbers of a workshop as this process holds them, brought up to date when asked.

A workshop of up to SMALL numbers is read into memory. A larger one has a snapshot: a file under
DATA_DIR/lookup that every process maps, so that the page cache holds it once. What changed
since stands in a second, small shelf, read from the database by the log of changes
(donors/change_log.py); a number is seen by every process the next time it asks. `fold` rebuilds
a snapshot when that shelf has grown; it runs in the dispatcher, never in a request.
"""

import logging
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from django.conf import settings
from django.db import connection
from django.db.models import Q

from donors import snapshot_files
from donors.domain import model_numbers
from donors.domain.lookup.shelf import Builder, Shelf
from donors.models import CatalogueClock, ModelAlias, ModelNumber, NumberChange

log = logging.getLogger(__name__)

SMALL = 5_000  # numbers read in a request without a snapshot: about 0.1 s
MOST_CHANGES = 1_000  # numbers changed since, beyond which the base is made anew
MOST_BEHIND = 50_000  # the same, beyond which only exact keys are asked until it is
PAGE = 2_000

Position = tuple[int, str]
NOTHING: Position = (0, "")


@dataclass
class Held:
    """Layers of shelves: the base, and over it what changed since `base_at`."""

    layers: list[tuple[Shelf, np.ndarray | None]]
    base_at: Position = NOTHING
    at: Position = NOTHING
    changed: frozenset[int] = frozenset()
    file: tuple[int, int] = (0, 0)

    @classmethod
    def of(cls, shelf: Shelf, at: Position = NOTHING, file: tuple[int, int] = (0, 0)) -> "Held":
        return cls([(shelf, None)], base_at=at, at=at, file=file)


@dataclass
class _Process:
    """What this process holds, by database and workshop."""

    held: dict[tuple[str, int], Held] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)
    told: set[int] = field(default_factory=set)


_here = _Process()


def current(workshop_id: int) -> Held | None:
    """Return the numbers as they are now; None while a large snapshot is missing.

    One small query when nothing changed since this process asked last.
    """
    now = _position(workshop_id)
    key = (str(connection.settings_dict["NAME"]), workshop_id)
    held = _here.held.get(key)
    if held is not None and held.at == now and len(held.changed) <= MOST_CHANGES:
        return held
    with _here.lock:
        held = _caught_up(workshop_id, _here.held.get(key), now)
        if held is None:
            _here.held.pop(key, None)
        else:
            _here.held[key] = held
    return held


def forget() -> None:
    """Let go of everything held in this process."""
    _here.held.clear()


def _position(workshop_id: int) -> Position:
    rows = CatalogueClock.objects.filter(workshop_id=workshop_id)
    found: Position | None = rows.values_list("seq", "mark").first()
    return found or NOTHING


def _caught_up(workshop_id: int, held: Held | None, now: Position) -> Held | None:
    """Return what is held with the changes since taken in, or a better base."""
    path = _path(workshop_id)
    grown = held is not None and len(held.changed) > MOST_CHANGES
    if held is not None and grown and snapshot_files.stamp(path) not in {held.file, (0, 0)}:
        held = None  # somebody has folded the changes in
    if held is None or not _happened(workshop_id, held.base_at):
        held = _base(workshop_id)
    if held is None:
        return None
    if held.at != now:
        held = _with_changes(workshop_id, held, now)
    if held is not None and len(held.changed) > MOST_CHANGES and _size(workshop_id) <= SMALL:
        return _read_whole(workshop_id)
    return held


def _base(workshop_id: int) -> Held | None:
    """Return the snapshot when it is sound, the rows themselves when they are few, or None."""
    path = _path(workshop_id)
    found = snapshot_files.read(path)
    if found is not None and _happened(workshop_id, found.at):
        return Held.of(found.shelf, found.at, found.stamp)
    if _size(workshop_id) <= SMALL:
        return _read_whole(workshop_id)
    if workshop_id not in _here.told:
        _here.told.add(workshop_id)
        log.warning("workshop %s: no sound snapshot yet; exact keys only", workshop_id)
    return None


def _size(workshop_id: int) -> int:
    """Return how many numbers there are, counting no further than SMALL."""
    return len(ModelNumber.of(workshop_id).order_by("id").values_list("id")[: SMALL + 1])


def _happened(workshop_id: int, at: Position) -> bool:
    """Whether a count and its mark belong to this workshop's log.

    False for what was rolled back, for another database's file, and for what is trimmed.
    """
    if at == NOTHING:
        return True
    seq, mark = at
    rows = NumberChange.objects.filter(workshop_id=workshop_id, seq=seq, mark=mark)
    return rows.exists()


def _with_changes(workshop_id: int, held: Held, now: Position) -> Held | None:
    """Return the base with all that changed since it in a layer over it."""
    rows = NumberChange.objects.filter(workshop_id=workshop_id, seq__gt=held.base_at[0])
    changed = frozenset(rows.order_by().values_list("model_id", flat=True).distinct())
    if len(changed) > MOST_BEHIND:
        return _read_whole(workshop_id) if _size(workshop_id) <= SMALL else None
    base = held.layers[0][0]
    builder = Builder()
    for ids in _pages(sorted(changed)):
        _add_rows(builder, workshop_id, ids)
    layers = [(base, base.dead(changed)), (builder.done(), None)]
    return Held(layers, held.base_at, now, changed, held.file)


def _read_whole(workshop_id: int) -> Held:
    at = _position(workshop_id)  # before the rows: what comes between is taken in again
    return Held.of(_read(workshop_id), at)


def _read(workshop_id: int) -> Shelf:
    builder = Builder()
    last = 0
    rows = ModelNumber.of(workshop_id).order_by("id").values_list("id", flat=True)
    while ids := list(rows.filter(id__gt=last)[:PAGE]):
        _add_rows(builder, workshop_id, ids)
        last = ids[-1]
    return builder.done()


def _pages(ids: list[int]) -> Iterator[list[int]]:
    for start in range(0, len(ids), PAGE):
        yield ids[start : start + PAGE]


def _add_rows(builder: Builder, workshop_id: int, ids: Iterable[int]) -> None:
    ids = list(ids)
    aliases: dict[int, list[str]] = {}
    found = ModelAlias.of(workshop_id).filter(model__in=ids).order_by("id")
    for model_id, canonical in found.values_list("model_id", "canonical"):
        aliases.setdefault(model_id, []).append(canonical)
    columns = ("id", "make_id", "number", "canonical", "appliance_id", "family")
    rows = ModelNumber.of(workshop_id).filter(id__in=ids).order_by("id")
    for model_id, make_id, number, canonical, appliance, family in rows.values_list(*columns):
        builder.add(
            model_id,
            make_id,
            number=number,
            canonical=canonical,
            appliance=appliance or "",
            family=family,
            aliases=aliases.get(model_id, ()),
        )


def read_exact(workshop_id: int, number: str) -> Shelf:
    """Return a shelf of what a canonical number is by its exact or folded key, and its aliases.

    Three indexed queries. What the lookup falls back on while a snapshot is being made.
    """
    folded = model_numbers.folded(number)
    own = Q(canonical=number) | Q(folded=folded)
    ids = set(ModelNumber.of(workshop_id).filter(own).values_list("id", flat=True)[:PAGE])
    aliases = ModelAlias.of(workshop_id).filter(canonical=number)
    ids.update(aliases.values_list("model_id", flat=True)[:PAGE])
    builder = Builder()
    _add_rows(builder, workshop_id, sorted(ids))
    return builder.done()


def rebuild(workshop_id: int) -> Path:
    """Write the snapshot of a workshop anew and trim the log it makes needless."""
    path = _path(workshop_id)
    at = _position(workshop_id)
    shelf = _read(workshop_id)
    snapshot_files.write(path, shelf, at)
    NumberChange.objects.filter(workshop_id=workshop_id, seq__lt=at[0]).delete()
    return path


def fold(*, now: datetime) -> int:
    """Rebuild each snapshot that is missing, broken or far behind. Returns how many.

    For the dispatcher's sweep. One process at a time does a workshop; workshops of few numbers
    need none, but their log is trimmed.
    """
    done = 0
    for workshop_id, seq in CatalogueClock.objects.values_list("workshop_id", "seq"):
        path = _path(workshop_id)
        if _size(workshop_id) <= SMALL:
            old = NumberChange.objects.filter(
                workshop_id=workshop_id, seq__lt=seq - 2 * MOST_CHANGES
            )
            old.delete()
            continue
        at = snapshot_files.position(path) if snapshot_files.is_sound(path) else None
        behind = NumberChange.objects.filter(workshop_id=workshop_id, seq__gt=at[0] if at else 0)[
            : MOST_CHANGES + 1
        ]
        if at and _happened(workshop_id, at) and len(behind.values_list("id")) <= MOST_CHANGES:
            continue
        with snapshot_files.alone(path, now=now) as mine:
            if mine:
                rebuild(workshop_id)
                done += 1
    return done


def _path(workshop_id: int) -> Path:
    return Path(settings.DATA_DIR) / "lookup" / f"workshop-{workshop_id}.numbers"
