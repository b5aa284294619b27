"""Taking back the rows an import added, while nobody has worked on them and nothing rests on them.

What people wrote of a row, and of what was made with it, is kept as a digest when it is stored;
another digest later is somebody's work. All columns count that no program writes by itself, so a
new column keeps an import in place until somebody says otherwise.
"""

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from django.apps import apps
from django.db.models import Model, Q

from workshop.errors import Conflict

PAGE = 500
# What is taken away with the row it hangs on: what is worked out anew, or was made with it. A row
# outside of its condition is somebody's work and keeps all in place. Filled by the apps.
_goes_along: dict[str, Q] = {}
_made_with: set[str] = set()
_after: dict[str, Callable[[int], None]] = {}
_written_by_programs: dict[str, set[str]] = {}
_lock_order: list[str] = []

Found = list[tuple[type[Model], list[Any]]]


def goes_along(
    label: str,
    only: Q | None = None,
    *,
    made_with: bool = False,
    after: Callable[[int], None] | None = None,
) -> None:
    """Say that rows of a model ("app.Model") go with what they hang on, those of `only`.

    made_with: people write in them too, so they count in the digest of what they hang on.
    after: called with the id of the workshop when some went.
    """
    _goes_along[label.lower()] = only or Q()
    if made_with:
        _made_with.add(label.lower())
    if after is not None:
        _after[label.lower()] = after


def written_by_programs(label: str, *columns: str) -> None:
    """Name the columns of a model that programs write by themselves: no digest counts them."""
    _written_by_programs.setdefault(label.lower(), set()).update(columns)


def locks_in_order(*labels: str) -> None:
    """Say in which order rows of these models are locked; others come before them."""
    _lock_order[:] = [label.lower() for label in labels]


def digests(model: type[Model], ids: Sequence[Any]) -> dict[str, str]:
    """Return a digest of what people wrote of each row and of what was made with it, by id."""
    sums: dict[Any, Any] = {}
    for some in _some(ids):
        for key, told in _told(model, "pk", some):
            sums[key] = hashlib.blake2b(told, digest_size=8)
        for other, field in _pointing_at(model):
            if other._meta.label_lower in _made_with:
                for key, told in _told(other, field, some):
                    sums[key].update(told)
    return {str(key): one.hexdigest() for key, one in sums.items()}


def changed_since(
    model: type[Model], ids: Sequence[Any], before: dict[str, str], *, most: int = 5
) -> list[str]:
    """Return the names of rows that are no more as their digests say, the first of them."""
    now = digests(model, ids)
    wrong = [key for key in ids if now.get(str(key)) != before.get(str(key))]
    names = {row.pk: str(row) for row in _rows(model).filter(pk__in=wrong[:most])}
    return [names.get(key, "one that is gone") for key in wrong[:most]]


def resting_on(model: type[Model], ids: Sequence[Any]) -> list[str]:
    """Return what rests on the rows, in words: "3 holds"; empty when they may be taken back."""
    return _in_words(_walk(model, ids)[1])


def lock(model: type[Model], ids: Sequence[Any]) -> None:
    """Lock the rows and what people write in that goes along, so that none of it changes.

    Nothing new can come to hang on a locked row either (PostgreSQL: its key is locked).
    """
    found = [(one, keys) for one, keys in _walk(model, ids)[0] if one is model or _locked(one)]
    for one, keys in sorted(found, key=lambda pair: _rank(pair[0])):
        for some in _some(sorted(keys)):
            rows = _rows(one).filter(pk__in=some).order_by("pk")
            list(rows.select_for_update(of=("self",)).values_list("pk", flat=True))


def take_back(model: type[Model], ids: Sequence[Any], *, workshop_id: int) -> None:
    """Delete the rows and what goes along with them, and nothing else. Lock them first.

    Raises Conflict with what rests on them.
    """
    found, blocked = _walk(model, ids)
    if blocked:
        raise Conflict(f"by now rests on it: {', '.join(_in_words(blocked))}")
    for one, keys in reversed(found):
        for some in _some(keys):
            # Exactly these: what came to point at one meanwhile fails the transaction.
            rows = _rows(one).filter(pk__in=some)
            rows._raw_delete(rows.db)
    for label in {one._meta.label_lower for one, _ in found}:
        if label in _after:
            _after[label](workshop_id)


def _walk(model: type[Model], ids: Sequence[Any]) -> tuple[Found, dict[str, int]]:
    """Return the rows and all that goes along, what hangs on what behind it; the rest counted."""
    found: Found = [(model, list(ids))]
    blocked: dict[str, int] = {}
    taken: set[tuple[str, Any]] = {(model._meta.label, key) for key in ids}
    for here, keys in found:  # grows while it is walked
        for other, field in _pointing_at(here):
            along = []
            for some in _some(keys):
                new, fit = _hanging(other, field, some)
                new = {key for key in new if (other._meta.label, key) not in taken}
                going = sorted(new & fit)
                taken |= {(other._meta.label, key) for key in going}
                along += going
                if stay := len(new) - len(going):
                    name = str(other._meta.verbose_name_plural)
                    blocked[name] = blocked.get(name, 0) + stay
            if along:
                found.append((other, along))
    return found, blocked


def _hanging(model: type[Model], field: str, keys: Sequence[Any]) -> tuple[set[Any], set[Any]]:
    """Return the rows that point at some rows, and those of them that may go along."""
    rows = _rows(model).filter(**{f"{field}__in": keys})
    there = _keys(rows)
    going = _goes_along.get(model._meta.label_lower)
    return there, _keys(rows.filter(going)) if there and going is not None else set()


def _keys(rows: Any) -> set[Any]:
    return set(rows.values_list("pk", flat=True))


def _told(model: type[Model], field: str, keys: Sequence[Any]) -> Iterator[tuple[Any, bytes]]:
    """Yield, for each row whose `field` is one of the keys, that key and what people wrote."""
    ours = _written_by_programs.get(model._meta.label_lower, set())
    columns = [one.attname for one in model._meta.concrete_fields if one.name not in ours]
    by: Any = model._meta.pk if field == "pk" else model._meta.get_field(field)
    name = by.attname
    for row in _rows(model).filter(**{f"{name}__in": keys}).order_by("pk").values(*columns):
        yield row[name], json.dumps([model._meta.label, row], default=str, sort_keys=True).encode()


def _locked(model: type[Model]) -> bool:
    return model._meta.label_lower in _made_with or model._meta.label_lower in _lock_order


def _rank(model: type[Model]) -> int:
    label = model._meta.label_lower
    return _lock_order.index(label) if label in _lock_order else -1


def _in_words(blocked: dict[str, int]) -> list[str]:
    return [f"{count} {name}" for name, count in sorted(blocked.items())]


def _pointing_at(model: type[Model]) -> Iterator[tuple[type[Model], str]]:
    for relation in model._meta.get_fields(include_hidden=True):
        if relation.auto_created and (relation.one_to_many or relation.one_to_one):
            other: Any = relation.related_model
            if not other._meta.abstract:
                yield other, relation.field.name  # type: ignore[union-attr]


def _rows(model: type[Model]) -> Any:
    manager: Any = model._default_manager
    return manager.unscoped() if hasattr(manager, "unscoped") else manager.all()


def _some(keys: Sequence[Any]) -> Iterator[Sequence[Any]]:
    for start in range(0, len(keys), PAGE):
        yield keys[start : start + PAGE]


def model_of(label: str) -> type[Model]:
    found: type[Model] = apps.get_model(label)
    return found
