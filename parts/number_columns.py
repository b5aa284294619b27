"""Columns the database itself derives from a part number, so that no writer can forget them.

They are keys to find candidates by, never to say that two numbers are equal: what they find is
compared by parts/domain/part_numbers.py. A key may find too much, never too little.
"""

from functools import reduce
from typing import Any

from django.db import models
from django.db.models import Case, F, Value, When
from django.db.models.functions import Left, Length, NullIf, Replace, Right
from django.db.models.lookups import GreaterThanOrEqual, In

from donors.domain.model_numbers import CONFUSABLE_CLASSES
from parts.domain.part_numbers import LEAST_STEM

_SEPARATORS = (" ", "-", "/", ".", "_", "\t", "\u00a0")
_INDEX_LENGTHS = (1, 2, 3)


def folded_column() -> models.GeneratedField:
    """Return the column of a number with its confusable classes merged; NULL when unknown."""
    return _column(_folded())


def stem_column() -> models.GeneratedField:
    """Return the column of a number without the index set off at its end; NULL without one."""
    cases = [_without_index(length) for length in _INDEX_LENGTHS]
    return _column(Case(*cases, default=Value("")))


def _column(expression: Any) -> models.GeneratedField:
    """Unknown is NULL, so that an index may leave it out: both engines see that = and IN do."""
    return models.GeneratedField(
        expression=NullIf(expression, Value("")),
        output_field=models.CharField(max_length=80, null=True),
        db_persist=True,
    )


def _folded() -> Any:
    pairs = [(char, group[0]) for group in CONFUSABLE_CLASSES for char in group[1:]]
    start: Any = F("number_canonical")
    return reduce(lambda text, pair: Replace(text, Value(pair[0]), Value(pair[1])), pairs, start)


def _without_index(length: int) -> When:
    """Return the case of a number that ends in a separator and an index of `length`."""
    mark = Left(Right(F("part_number"), length + 1), 1)
    left = Length(F("number_canonical")) - Value(length)
    long_enough = GreaterThanOrEqual(Length(F("number_canonical")), LEAST_STEM + length)
    cut = Case(When(long_enough, then=Left(F("number_canonical"), left)), default=Value(""))
    return When(In(mark, _SEPARATORS), then=cut)
