"""Empty the database after a test that committed, in a few statements.

Django truncates every table and loads all reference data anew, after every such test: one to two
seconds on either engine, for hundreds of tests. Here the tables that were empty when the database
was made are emptied where they hold anything; the others are only compared. Where a test changed
those, Django's own way is gone.
"""

import hashlib
from typing import Any

from django.db import connection, transaction
from django.test import TransactionTestCase

_whole_flush = TransactionTestCase._fixture_teardown
_kept: dict[str, str] = {}  # table -> digest of its rows, for tables that were filled by `migrate`


def install() -> None:
    """Take the place of Django's way for every test that commits."""
    TransactionTestCase._fixture_teardown = _quick_flush  # type: ignore[method-assign]


def note_what_was_made() -> None:
    """Remember the tables that `migrate` filled. Called when the database has just been made."""
    _kept.clear()
    _kept.update({table: _digest(table) for table in _filled()})


def _quick_flush(case: TransactionTestCase) -> None:
    if any(_digest(table) != digest for table, digest in _kept.items()):
        _whole_flush(case)
        note_what_was_made()
        return
    # Twice: triggers note the deleting of numbers in a table of their own.
    for _ in range(2):
        with transaction.atomic(), connection.cursor() as cursor:
            for table in set(_filled()) - _kept.keys():
                cursor.execute(f"DELETE FROM {connection.ops.quote_name(table)}")


def _filled() -> list[str]:
    """Return the tables that hold a row, by one query."""
    tables = connection.introspection.django_table_names(only_existing=True, include_views=False)
    looks = (
        f"SELECT '{table}' WHERE EXISTS (SELECT 1 FROM {connection.ops.quote_name(table)})"
        for table in tables
    )
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(looks))
        return [row[0] for row in cursor.fetchall()]


def _digest(table: str) -> str:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {connection.ops.quote_name(table)}")
        rows: list[Any] = sorted(map(repr, cursor.fetchall()))
    return hashlib.sha256("\n".join(rows).encode()).hexdigest()
