"""makes.csv and models.csv."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from donors import plates, services
from donors.catalogue import Catalogue
from donors.domain import model_numbers
from donors.models import Make, ModelAlias, ModelNumber
from workshop.bulk import bulk_save
from workshop.errors import InputRefused
from workshop.exchange import cells, undoing
from workshop.exchange.reading import Column, Row
from workshop.exchange.sheets import (
    Imported,
    Sheet,
    count,
    fill_blanks,
    refuse,
    register,
    set_values,
)
from workshop.models import Workshop

MAKE = Column("make", cells.text(80), required=True)
MODEL_NUMBER = Column("model_number", cells.text(80))


class Makes(Sheet):
    kind = "makes"
    adds = "donors.Make"
    columns = (MAKE, Column("aliases", cells.word_list), Column("pattern", cells.text(400)))

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        known = {make.key: make for make in Make.of(workshop)}
        added: dict[str, Make] = {}
        changed: list[Make] = []
        for row in rows:
            stored = known.get(model_numbers.canonical(row["make"]))
            if stored is not None:
                fill_blanks(row, {"aliases": stored.aliases, "pattern": stored.pattern})
        for key, row, values in self.parsed(rows):
            if key not in known:
                added[key] = Make(workshop=workshop, name=row["make"], key=key, **values)
            elif set_values(known[key], values):
                changed.append(known[key])
        if not any(row.problems for row in rows):
            Make.objects.bulk_create(added.values())
            bulk_save(changed, ["aliases", "pattern"])
            if added or changed:
                services.announce_catalogue(workshop.pk)
        return count(rows, len(added), len(changed))

    def parsed(self, rows: Iterable[Row]) -> Iterator[tuple[str, Row, dict[str, Any]]]:
        """Yield the key and the values of each make; what is wrong is noted on its row."""
        seen: set[str] = set()
        for row in rows:
            key = model_numbers.canonical(row["make"])
            if not key or key in seen:
                row.refuse("make", "stands twice in this file" if key else "holds no letter")
                continue
            seen.add(key)
            values: dict[str, Any] = {
                "aliases": row["aliases"] or [],
                "pattern": row["pattern"] or "",
            }
            try:
                services.check_pattern(values["pattern"])
            except InputRefused as bad:
                refuse(row, bad)
            yield key, row, values

    def key(self, row: Row) -> Mapping[str, str] | None:
        return {"key": model_numbers.canonical(row["make"])} if row["make"] else None

    def take_along(self, workshop: Workshop, ids: Sequence[Any]) -> None:
        services.announce_catalogue(workshop.pk)

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        for make in Make.of(workshop).order_by("name"):
            yield {"make": make.name, "aliases": "|".join(make.aliases), "pattern": make.pattern}


class Models(Sheet):
    kind = "models"
    adds = "donors.ModelNumber"
    columns = (
        MAKE,
        Column("model_number", cells.text(80), required=True),
        Column("aliases", cells.word_list),
        Column("appliance", cells.text(40)),
        Column("family", cells.text(60)),
    )

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        catalogue, appliances = Catalogue.load(workshop), plates.appliance_slugs()
        known = {(m.make_id, m.canonical): m for m in ModelNumber.of(workshop)}
        aliases = {(a.model_id, a.canonical): a for a in ModelAlias.of(workshop)}
        wanted: dict[tuple[int, str], tuple[ModelNumber, list[str]]] = {}
        changed: list[ModelNumber] = []
        added = 0
        for key, row, values in self.parsed(rows, catalogue, appliances):
            model = known.get(key)
            if model is None:
                model, added = ModelNumber(workshop=workshop, make_id=key[0], **values), added + 1
            elif set_values(model, _told(values)):
                changed.append(model)
            wanted[key] = (model, row["aliases"] or [])
        if any(row.problems for row in rows):
            return Imported()
        new = [model for model, _ in wanted.values() if model.pk is None]
        ModelNumber.objects.bulk_create(new, batch_size=500)
        bulk_save(changed, ["appliance_id", "family"])
        new_aliases = [
            alias
            for model, names in wanted.values()
            for alias in services.alias_rows(model, names)
            if (model.pk, alias.canonical) not in aliases
        ]
        ModelAlias.objects.bulk_create(new_aliases, batch_size=500)
        if added or changed or new_aliases:
            services.announce_catalogue(workshop.pk)
        fresh = {model.pk for model in new}
        touched = {model.pk for model in changed} | {alias.model_id for alias in new_aliases}
        return count(rows, added, len(touched - fresh))

    def keys(self, workshop: Workshop, rows: Iterable[Row]) -> list[Mapping[str, str]]:
        catalogue = Catalogue.load(workshop)
        found: list[Mapping[str, str]] = []
        for row in rows:
            make = catalogue.find_make(row["make"] or "")
            if make is not None and row["model_number"]:
                number = model_numbers.canonical(row["model_number"])
                found.append({"make_id": str(make.pk), "canonical": number})
        return found

    def take_along(self, workshop: Workshop, ids: Sequence[Any]) -> None:
        services.announce_catalogue(workshop.pk)

    def parsed(
        self, rows: Iterable[Row], catalogue: Catalogue, appliances: set[str]
    ) -> Iterator[tuple[tuple[int, str], Row, dict[str, Any]]]:
        """Yield the key and the values of each model; what is wrong is noted on its row."""
        seen: set[tuple[int, str]] = set()
        for row in rows:
            parsed = self._parse(row, catalogue, appliances)
            if parsed is None:
                continue
            key, values = parsed
            if key in seen:
                row.refuse("model_number", "stands twice in this file for this make")
                continue
            seen.add(key)
            yield key, row, values

    def _parse(
        self, row: Row, catalogue: Catalogue, appliances: set[str]
    ) -> tuple[tuple[int, str], dict[str, Any]] | None:
        try:
            make = plates.find_make(catalogue, row["make"] or "")
            plates.check_number(row["model_number"] or "", may_be_blank=False)
        except InputRefused as bad:
            refuse(row, bad)
            return None
        if row["appliance"] and row["appliance"] not in appliances:
            row.refuse("appliance", f"is none of: {', '.join(sorted(appliances))}")
        if make is None:
            return None
        canonical = model_numbers.canonical(row["model_number"])
        values = {
            "number": row["model_number"],
            "canonical": canonical,
            "folded": model_numbers.folded(canonical),
            "wildcard": model_numbers.has_wildcard(canonical),
            "appliance_id": row["appliance"],
            "family": row["family"] or "",
        }
        return (make.pk, canonical), values

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        rows = ModelNumber.of(workshop).select_related("make").prefetch_related("aliases")
        for model in rows.order_by("make__name", "canonical"):
            yield {
                "make": model.make.name,
                "model_number": model.number,
                "aliases": "|".join(alias.alias for alias in model.aliases.all()),
                "appliance": model.appliance_id or "",
                "family": model.family,
            }


def _told(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a row tells of a model already known: its blanks erase nothing."""
    return {name: values[name] for name in ("appliance_id", "family") if values[name]}


register(Makes())
register(Models())
undoing.goes_along("donors.ModelAlias", made_with=True)
undoing.written_by_programs("donors.Make", "guessed_pattern", "guessed_from")
