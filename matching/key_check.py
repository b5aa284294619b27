"""Recompute the keys candidates are found by, compare them with what is stored, mend them.

Only attributes' and past fittings' keys are written by Python and can differ; the others are
columns the database derives.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from matching.models import Need, NeedKey, Outcome
from matching.outcome_keys import keyed, keys_of
from parts import keys
from parts.models import BenchTest, Part, PartKey
from workshop.bulk import bulk_save
from workshop.models import Workshop

BATCH = 2_000
OUTCOME_COLUMNS = ("part_key", "job_key", "donor_group", "job_group")


@dataclass(frozen=True, slots=True)
class Untrue:
    """How many rows of one table had keys that were not true."""

    table: str
    rows: int


def check(*, repair: bool = False) -> list[Untrue]:
    """Return what is not true, by table; mended when asked. Reads every row, in batches."""
    found = []
    for name, mend in (("parts", _parts), ("needs", _needs), ("outcomes", _outcomes)):
        count = sum(
            mend(workshop.pk, repair=repair) for workshop in Workshop.objects.order_by("id")
        )
        found.append(Untrue(name, count))
    found.append(Untrue("bench tests", _tests(repair=repair)))
    return [one for one in found if one.rows]


def _parts(workshop_id: int, *, repair: bool) -> int:
    return _attribute_keys(PartKey, Part, workshop_id, repair=repair)


def _needs(workshop_id: int, *, repair: bool) -> int:
    return _attribute_keys(NeedKey, Need, workshop_id, repair=repair)


def _attribute_keys(table: Any, model: Any, workshop_id: int, *, repair: bool) -> int:
    count = 0
    for rows in _batches(model, workshop_id):
        with transaction.atomic():
            lacking, untrue = keys.differing(table, rows)
            count += len(lacking) + len(untrue)
            if repair and (lacking or untrue):
                keys.note_keys(table, rows)
    return count


def _outcomes(workshop_id: int, *, repair: bool) -> int:
    count = 0
    for rows in _batches(Outcome, workshop_id):
        differing = [row for row in rows if _differs(row)]
        count += len(differing)
        if repair:
            with transaction.atomic():
                bulk_save(map(keyed, differing), OUTCOME_COLUMNS)
    return count


def _differs(row: Outcome) -> bool:
    return any(getattr(row, column) != value for column, value in keys_of(row).items())


def _tests(*, repair: bool) -> int:
    rows = BenchTest.objects.unscoped().filter(kind__isnull=True).select_related("part")
    found = list(rows)
    if repair:
        for test in found:
            test.kind_id = test.part.kind_id
        with transaction.atomic():
            bulk_save(found, ["kind"])
    return len(found)


def _batches(model: Any, workshop_id: int) -> Iterator[list[Any]]:
    last = 0
    while True:
        rows = list(model.of(workshop_id).filter(pk__gt=last).order_by("pk")[:BATCH])
        if not rows:
            return
        yield rows
        last = rows[-1].pk
