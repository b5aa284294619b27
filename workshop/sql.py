"""Plain SQL for the few reads that run many times a second.

Django needs some 2 ms to put a query of the matching together and its database 0.1 ms to answer
it (measured under a profiler); text that is there already costs nothing. Only for reads whose
plans are tested on both engines; everything else asks through the models.
"""

import json
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from functools import lru_cache
from typing import Any
from uuid import UUID

from django.db import connection, transaction


@contextmanager
def snapshot() -> Iterator[None]:
    """Read as of one moment and write nothing, on PostgreSQL; nobody waits for the reader.

    Within a transaction it is that one's view. SQLite takes its write lock with every transaction
    (config/settings/base.py), so there each query is as of its own moment: what is decided on it
    has to be looked at again before it is stored, as everywhere after a snapshot.
    """
    if connection.in_atomic_block or connection.vendor != "postgresql":
        yield
        return
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        yield


def rows(sql: str, *values: object) -> list[tuple[Any, ...]]:
    """Return the rows of a query. Each %s takes a value; a collection becomes a list for IN.

    A list of tuples becomes the rows of VALUES. Whole numbers in collections are written out:
    engines limit how many values they take.
    """
    marks: list[str] = []
    given: list[Any] = []
    for value in values:
        marks.append(_mark(value, given))
    with connection.cursor() as cursor:
        cursor.execute(sql % tuple(marks), given)
        return list(cursor.fetchall())


def _mark(value: object, given: list[Any]) -> str:
    """Return what stands for a value in the text; what the engine is to be given goes there."""
    if not isinstance(value, Collection) or isinstance(value, str):
        given.append(value)
        return "%s"
    if isinstance(value, list) and value and isinstance(value[0], tuple):
        return ", ".join([_listed(row, given) for row in value])
    return _listed(sorted(value) or [None], given)


def _listed(values: Iterable[object], given: list[Any]) -> str:
    marks = []
    for value in values:
        if type(value) is int:
            marks.append(str(value))
        else:
            marks.append("%s")
            given.append(value)
    return f"({', '.join(marks)})"


def as_json(value: Any) -> Any:
    """Return a JSON column: both engines give it as text.

    The same text gives the same object, for most are alike: it must not be changed.
    """
    return _parsed(value) if isinstance(value, str) else value


@lru_cache(maxsize=8192)
def _parsed(text: str) -> Any:
    return json.loads(text)


def as_day(value: Any) -> date | None:
    """Return a date column: SQLite gives it as text."""
    return date.fromisoformat(value) if isinstance(value, str) else value


def as_uuid(value: Any) -> UUID:
    """Return a UUID column: SQLite gives it as text."""
    return UUID(value) if isinstance(value, str) else value
