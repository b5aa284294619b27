"""A catalogue read from makes.csv and models.csv alone: nothing is stored, no database is asked."""

from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path

from donors import services
from donors.catalogue import Catalogue
from donors.domain import model_numbers
from donors.domain.lookup import guessing
from donors.exchange import Makes, Models
from donors.models import ModelNumber
from donors.recognition import KnownModel
from workshop import reference
from workshop.errors import InputRefused
from workshop.exchange.reading import Row, read_file, refuse_if_bad
from workshop.exchange.sheets import refuse


def read_catalogue(*, makes: Path | None = None, models: Path | None = None) -> Catalogue:
    """Return the catalogue of the files; empty without any.

    A make named in `models` only is known by its name, without a pattern.
    Raises FileRefused with every bad cell.
    """
    catalogue = Catalogue()
    if makes is not None:
        _add_makes(catalogue, makes)
    if models is not None:
        _add_models(catalogue, models)
    return catalogue


def ensure_make(catalogue: Catalogue, row: Row, column: str) -> None:
    """Make the make named in a cell known by its name; a name without letters is refused."""
    text = row[column]
    if not text or catalogue.find_make(text):
        return
    try:
        catalogue.add_make(text)
    except InputRefused as bad:
        refuse(row, bad, make=column)


def guess_patterns(catalogue: Catalogue, seen: Iterable[tuple[str, str]]) -> None:
    """Give each make without a pattern the one its numbers propose: those known and those seen.

    seen: (make as written, model number as read) of machines; nothing is stored.
    """
    numbers: dict[int, set[str]] = defaultdict(set)
    for make_id, number in catalogue.numbers():
        numbers[make_id].add(number)
    for text, number in seen:
        make = catalogue.find_make(text)
        if make is not None:
            numbers[make.pk].add(model_numbers.canonical(number))
    for make in catalogue.makes:
        if not make.pattern:
            make.guessed_pattern = guessing.guess(numbers[make.pk])


def _add_makes(catalogue: Catalogue, path: Path) -> None:
    rows = read_file(path, Makes.columns)
    for _, row, values in Makes().parsed(rows):
        if not row.problems:
            catalogue.add_make(row["make"], **values)
    refuse_if_bad(rows, path.name)


def _add_models(catalogue: Catalogue, path: Path) -> None:
    rows = read_file(path, Models.columns)
    for row in rows:
        ensure_make(catalogue, row, "make")
    refuse_if_bad(rows, path.name)
    appliances = {one["slug"] for one in reference.read("appliances")}
    names = {make.pk: make.name for make in catalogue.makes}
    found = Models().parsed(rows, catalogue, appliances)
    for number, ((make_id, canonical), row, values) in enumerate(found, start=1):
        model = ModelNumber(pk=number, make_id=make_id, **values)
        catalogue.add_model(
            KnownModel(
                id=number,
                make_id=make_id,
                make=names[make_id],
                number=values["number"],
                canonical=canonical,
                appliance=values["appliance_id"] or "",
                family=values["family"],
            ),
            [alias.canonical for alias in services.alias_rows(model, row["aliases"] or [])],
        )
    refuse_if_bad(rows, path.name)
