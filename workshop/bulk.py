"""Write many rows back at once.

Django's bulk_update builds one CASE per column and row, which was five sixths of the time of
importing 5,800 parts (measured under a profiler); plain UPDATEs in one executemany are not.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connections, models


def bulk_save(rows: Iterable[models.Model], columns: Sequence[str]) -> None:
    """Write the named fields of rows that are in the database already. One statement a row.

    Fields are named as on the model ("make" or "make_id"). Call it inside a transaction.
    """
    found = list(rows)
    if not found:
        return
    connection = connections[DEFAULT_DB_ALIAS]
    meta = found[0]._meta
    fields = [meta.get_field(name.removesuffix("_id")) for name in columns]
    quote = connection.ops.quote_name
    sets = ", ".join(f"{quote(field.column)} = %s" for field in fields)  # type: ignore[union-attr, arg-type]
    key: Any = meta.pk
    sql = f"UPDATE {quote(meta.db_table)} SET {sets} WHERE {quote(key.column)} = %s"
    with connection.cursor() as cursor:
        cursor.executemany(sql, [_values(row, [*fields, key], connection) for row in found])


def _values(row: models.Model, fields: Sequence[Any], connection: Any) -> list[Any]:
    return [
        field.get_db_prep_save(getattr(row, field.attname), connection=connection)
        for field in fields
    ]
