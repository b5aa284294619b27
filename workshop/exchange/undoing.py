"""Taking back the rows an import added, while nothing else rests on them."""

from collections.abc import Iterator, Sequence
from typing import Any

from django.apps import apps
from django.db.models import Model, Q

PAGE = 500
# What is taken away with the row it hangs on: what is worked out anew, or was made with it. A row
# outside of its condition is somebody's work and keeps all in place. Filled by the apps.
_goes_along: dict[str, Q] = {}


def goes_along(label: str, only: Q | None = None) -> None:
    """Say that rows of a model ("app.Model") go with what they hang on, those of `only`."""
    _goes_along[label.lower()] = only or Q()


def resting_on(model: type[Model], ids: Sequence[Any]) -> list[str]:
    """Return what rests on the rows, in words: "3 holds"; empty when they may be taken back."""
    blocked: dict[str, int] = {}
    _walk(model, ids, blocked)
    return [f"{count} {name}" for name, count in sorted(blocked.items())]


def take_back(model: type[Model], ids: Sequence[Any]) -> int:
    """Delete the rows and what goes along with them. Returns how many rows. Ask first."""
    for found, keys in reversed(_walk(model, ids, {})):
        for some in _some(keys):
            _rows(found).filter(pk__in=some).delete()
    return len(ids)


def _walk(
    model: type[Model], ids: Sequence[Any], blocked: dict[str, int]
) -> list[tuple[type[Model], list[Any]]]:
    """Return the rows and all that goes along, what hangs on what behind it; count the rest."""
    found = [(model, list(ids))]
    taken: set[tuple[str, Any]] = {(model._meta.label, key) for key in ids}
    for here, keys in found:  # grows while it is walked
        for other, field in _pointing_at(here):
            going = _goes_along.get(other._meta.label_lower)
            for some in _some(keys):
                rows = _rows(other).filter(**{f"{field}__in": some})
                pks = rows.values_list("pk", flat=True)
                new = {pk for pk in pks if (other._meta.label, pk) not in taken}
                fit = rows.filter(going) if going is not None else rows.none()
                along = sorted(new.intersection(fit.values_list("pk", flat=True)))
                taken |= {(other._meta.label, pk) for pk in along}
                stay = len(new) - len(along)
                if stay:
                    name = str(other._meta.verbose_name_plural)
                    blocked[name] = blocked.get(name, 0) + stay
                if along:
                    found.append((other, along))
    return found


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
