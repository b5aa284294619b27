"""Plain SQL for the few reads that run many times a second.

Django needs some 2 ms to put a query of the matching together and its database 0.1 ms to answer
it (measured under a profiler); text that is there already costs nothing. Only for reads whose
plans are tested on both engines; everything else asks through the models.
"""

import json
from collections.abc import Collection
from datetime import date
from typing import Any

from django.db import connection


def rows(sql: str, *values: object) -> list[tuple[Any, ...]]:
    """Return the rows of a query. Each %s takes a value; a collection becomes a list for IN.

    Whole numbers in a collection are written out: engines limit how many values they take.
    """
    marks, given = [], []
    for value in values:
        if isinstance(value, Collection) and not isinstance(value, str):
            found = sorted(value) or [None]
            if all(isinstance(one, int) for one in found):
                marks.append(f"({', '.join(map(str, found))})")
                continue
            marks.append(f"({', '.join(['%s'] * len(found))})")
            given += found
        else:
            marks.append("%s")
            given.append(value)
    with connection.cursor() as cursor:
        cursor.execute(sql % tuple(marks), given)
        return list(cursor.fetchall())


def as_json(value: Any) -> Any:
    """Return a JSON column: both engines give it as text."""
    return json.loads(value) if isinstance(value, str) else value


def as_day(value: Any) -> date | None:
    """Return a date column: SQLite gives it as text."""
    return date.fromisoformat(value) if isinstance(value, str) else value
