"""What a rule's conditions may say, and when two rules can meet the same pair."""

import re
from collections.abc import Callable, Iterator, Mapping
from datetime import date
from typing import Any

from donors.domain.model_numbers import canonical
from donors.domain.patterns import FIELDS
from matching.domain.rules import CONDITION_NAMES

# Returns the fields a make's pattern names, None when the make is not known.
PatternFields = Callable[[str], frozenset[str] | None]
MOST_NUMBERS = 200


def problems(side: Mapping[str, Any], pattern_fields: PatternFields) -> Iterator[tuple[str, str]]:
    """Yield (condition, what is wrong with it) for one side of a rule."""
    for name in side:
        if name not in CONDITION_NAMES:
            yield name, f"is no condition; there are: {', '.join(CONDITION_NAMES)}"
    for name in ("make", "family"):
        if name in side and not (isinstance(side[name], str) and side[name].strip()):
            yield name, "must be a text that is not blank"
    yield from _field_problems(side, pattern_fields)
    yield from _number_problems(side)
    yield from _date_problems(side)
    yield from _attribute_problems(side)


def _field_problems(
    side: Mapping[str, Any], pattern_fields: PatternFields
) -> Iterator[tuple[str, str]]:
    make = side.get("make")
    known = pattern_fields(make) if isinstance(make, str) and make else frozenset(FIELDS)
    if known is None:
        yield "make", f"{make!r} is not known here; add the make first"
        return
    fields = side.get("fields", {})
    if not _texts(fields):
        yield "fields", "must name fields of the model number with a value each"
        return
    for name in fields:
        if name not in FIELDS:
            yield f"fields.{name}", f"is no field; there are: {', '.join(FIELDS)}"
        elif name not in known:
            yield f"fields.{name}", f"is not in the pattern of {make}'s model numbers"


def _number_problems(side: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    numbers = side.get("part_numbers", [])
    if not isinstance(numbers, list) or len(numbers) > MOST_NUMBERS:
        yield "part_numbers", f"must be a list of at most {MOST_NUMBERS} part numbers"
    elif not all(isinstance(number, str) and canonical(number) for number in numbers):
        yield "part_numbers", "holds something that is no part number"


def _date_problems(side: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    days: dict[str, date] = {}
    for name in ("built_from", "built_to"):
        if side.get(name) in (None, ""):
            continue
        try:
            days[name] = date.fromisoformat(str(side[name]))
        except ValueError:
            yield name, f"{side[name]!r} is no date; write it like 2016-03-31"
    if len(days) == 2 and days["built_to"] < days["built_from"]:
        yield "built_to", f"{days['built_to']} lies before built_from ({days['built_from']})"


def _attribute_problems(side: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    attributes = side.get("attributes", {})
    if not _texts(attributes):
        yield "attributes", "must name attributes with a value each"
        return
    for name in attributes:
        if not re.fullmatch(r"[a-z][a-z0-9_]{0,40}", name):
            yield f"attributes.{name}", "is no attribute name; use lower-case words like mount"


def _texts(found: Any) -> bool:
    return isinstance(found, dict) and all(
        isinstance(key, str) and isinstance(value, str) and value.strip()
        for key, value in found.items()
    )


def may_meet(a: Mapping[str, Any], b: Mapping[str, Any]) -> bool:
    """Return True when one machine or part could meet both sides. Symmetric.

    They exclude each other only by a condition both state with nothing in common; what one
    leaves open the other may fill.
    """
    if any(a.get(n) and b.get(n) and a[n] != b[n] for n in ("make", "family")):
        return False
    for name in ("fields", "attributes"):
        left, right = a.get(name) or {}, b.get(name) or {}
        if any(left[key] != right[key] for key in left.keys() & right.keys()):
            return False
    ours, theirs = (set(map(canonical, side.get("part_numbers") or [])) for side in (a, b))
    if ours and theirs and not ours & theirs:
        return False
    return _spans_meet(a, b)


def _spans_meet(a: Mapping[str, Any], b: Mapping[str, Any]) -> bool:
    for one, other in ((a, b), (b, a)):
        start, end = one.get("built_from"), other.get("built_to")
        if start and end and str(end) < str(start):
            return False
    return True
