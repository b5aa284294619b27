"""Keeps the attribute keys of parts and needs true: written in the transaction of their row.

Only attributes need this. Numbers have columns the database derives (number_columns.py), and
machines are found by the columns of their donor or job, so neither can go stale.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from parts.domain.attribute_keys import stored_keys
from parts.reference import kinds

BATCH = 500


def keys_of(row: Any) -> set[int]:
    """Return the keys a part or need should have."""
    return stored_keys(kinds()[row.kind_id], row.attributes, row.position)


def note_keys(table: Any, rows: Iterable[Any], *, new: bool = False) -> None:
    """Store the keys of parts (table PartKey) or needs (NeedKey), dropping those that were.

    new: the rows were just created and have none yet.
    """
    found = list(rows)
    owner = _owner(table)
    if not new:
        _drop_untrue(table, found)
    laid = [
        table(workshop_id=row.workshop_id, key=key, **{f"{owner}_id": row.pk})
        for row in found
        for key in sorted(keys_of(row))
    ]
    table.objects.bulk_create(laid, ignore_conflicts=True, batch_size=BATCH)


def _drop_untrue(table: Any, rows: Sequence[Any]) -> None:
    if rows:
        untrue = differing(table, rows)[1]
        table.of(rows[0].workshop_id).filter(pk__in=untrue).delete()


def differing(table: Any, rows: Sequence[Any]) -> tuple[list[int], list[int]]:
    """Return the ids of rows that lack a key, and the ids of keys that are not true.

    All rows are of one workshop.
    """
    owner = _owner(table)
    stored: dict[int, dict[int, int]] = defaultdict(dict)
    for start in range(0, len(rows), BATCH):
        ids = [row.pk for row in rows[start : start + BATCH]]
        kept = table.of(rows[0].workshop_id).filter(**{f"{owner}__in": ids})
        for row_id, key, pk in kept.values_list(f"{owner}_id", "key", "id"):
            stored[row_id][key] = pk
    lacking, untrue = [], []
    for row in rows:
        should = keys_of(row)
        if should - stored[row.pk].keys():
            lacking.append(row.pk)
        untrue += [pk for key, pk in stored[row.pk].items() if key not in should]
    return lacking, untrue


def _owner(table: Any) -> str:
    """Return the name of the column that says whose key it is: part or need."""
    return "part" if table.__name__ == "PartKey" else "need"
