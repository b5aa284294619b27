"""Small catalogues for the tests of the lookup."""

from collections.abc import Iterable

from donors.domain.lookup.calibration import FEATURES, Calibration
from donors.domain.lookup.ranking import Found, rank
from donors.domain.lookup.search import search
from donors.domain.lookup.shelf import Builder, Shelf
from donors.domain.model_numbers import canonical

FLAT = Calibration(tuple(0.0 for _ in FEATURES))


def shelf_of(rows: Iterable[tuple[int, int, str] | tuple[int, int, str, list[str]]]) -> Shelf:
    """Return a shelf of (model id, make id, printed number[, canonical aliases]); ids rise."""
    builder = Builder()
    for model_id, make_id, number, *more in rows:
        aliases = more[0] if more else []
        builder.add(model_id, make_id, number=number, canonical=canonical(number), aliases=aliases)
    return builder.done()


def numbers_shelf(numbers: Iterable[str]) -> Shelf:
    return shelf_of((i, 1, number) for i, number in enumerate(numbers))


def ask(shelf: Shelf, query: str, *, make: int | None = None, most: int = 8) -> list[Found]:
    """Return the ranked candidates of a canonical query."""
    return rank(
        query,
        search([shelf.layer()], query),
        make_of=lambda hit: int(shelf.makes[hit.model]),
        make=make,
        calibration=FLAT,
        most=most,
    )


def found_ids(shelf: Shelf, query: str, **options: int) -> list[int]:
    return [int(shelf.ids[one.model]) for one in ask(shelf, query, **options)]
