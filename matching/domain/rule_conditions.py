"""What a rule's conditions may say, and when two rules can meet the same pair."""

import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from datetime import date
from typing import Any

from donors.domain.model_numbers import canonical
from donors.domain.patterns import FIELDS
from matching.domain.rules import CONDITION_NAMES, ApprovedRule, number_keys, span_of

# Returns the fields a make's pattern names, None when the make is not known.
PatternFields = Callable[[str], frozenset[str] | None]
MOST_NUMBERS = 200
MOST_NAMED = 40  # fields or attributes of one side
LONGEST_TEXT = 80
A_TEXT = f"a text of at most {LONGEST_TEXT} characters that is not blank"
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")


def problems(side: Mapping[str, Any], pattern_fields: PatternFields) -> Iterator[tuple[str, str]]:
    """Yield (condition, what is wrong with it) for one side of a rule."""
    for name in side:
        if name not in CONDITION_NAMES:
            yield name, f"is no condition; there are: {', '.join(CONDITION_NAMES)}"
    for name in ("make", "family"):
        if name in side and not _text(side[name]):
            yield name, f"must be {A_TEXT}"
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
        yield "fields", f"must name fields of the model number, the value of each {A_TEXT}"
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
    elif not all(_text(number) and canonical(number) for number in numbers):
        yield "part_numbers", "holds something that is no part number"
    elif "part_numbers" in side and not numbers:
        yield "part_numbers", "is empty; leave it out when any part number will do"


def _date_problems(side: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    days: dict[str, date] = {}
    for name in ("built_from", "built_to"):
        if side.get(name) in (None, ""):
            continue
        try:
            days[name] = _day(side[name])
        except ValueError:
            yield name, f"{ascii(side[name])[:60]} is no date; write it like 2016-03-31"
    if len(days) == 2 and days["built_to"] < days["built_from"]:
        yield "built_to", f"{days['built_to']} lies before built_from ({days['built_from']})"


def _attribute_problems(side: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    attributes = side.get("attributes", {})
    if not _texts(attributes):
        yield "attributes", f"must name attributes, the value of each {A_TEXT}"
        return
    for name in attributes:
        if not re.fullmatch(r"[a-z][a-z0-9_]{0,40}", name):
            yield f"attributes.{name}", "is no attribute name; use lower-case words like mount"


def _day(found: Any) -> date:
    """Return a day written in full: other spellings of ISO 8601 do not compare as text."""
    if not isinstance(found, str) or not _DAY.fullmatch(found):
        raise ValueError(found)
    return date.fromisoformat(found)


def _texts(found: Any) -> bool:
    return (
        isinstance(found, dict)
        and len(found) <= MOST_NAMED
        and all(isinstance(key, str) and _text(value) for key, value in found.items())
    )


def _text(found: Any) -> bool:
    """Return True for a text that can be stored and compared on every engine.

    A value is compared as it stands and never taken for a pattern.
    """
    return (
        isinstance(found, str)
        and 0 < len(found.strip()) <= len(found) <= LONGEST_TEXT
        and all(unicodedata.category(one) not in {"Cc", "Cs"} for one in found)
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
    ours, theirs = (number_keys(tuple(side.get("part_numbers") or ())) for side in (a, b))
    if ours and theirs and not ours & theirs:
        return False
    return _spans_meet(a, b)


def _spans_meet(a: Mapping[str, Any], b: Mapping[str, Any]) -> bool:
    for one, other in ((a, b), (b, a)):
        start, end = one.get("built_from"), other.get("built_to")
        if start and end and str(end) < str(start):
            return False
    return True


def covers(wide: ApprovedRule, narrow: ApprovedRule) -> bool:
    """Return True when every pair the narrow rule speaks of, the wide one speaks of as well."""
    ways = [(narrow.donor_side, narrow.job_side)]
    if narrow.both_ways:
        ways.append((narrow.job_side, narrow.donor_side))
    return all(_covers_way(wide, donor, job) for donor, job in ways)


def _covers_way(wide: ApprovedRule, donor: Mapping[str, Any], job: Mapping[str, Any]) -> bool:
    if implies(donor, wide.donor_side) and implies(job, wide.job_side):
        return True
    return wide.both_ways and implies(donor, wide.job_side) and implies(job, wide.donor_side)


def implies(narrow: Mapping[str, Any], wide: Mapping[str, Any]) -> bool:
    """Return True when whatever meets the narrow conditions meets the wide ones."""
    if any(wide.get(n) and wide[n] != narrow.get(n) for n in ("make", "family")):
        return False
    for name in ("fields", "attributes"):
        stated = narrow.get(name) or {}
        if any(stated.get(key) != value for key, value in (wide.get(name) or {}).items()):
            return False
    ours, theirs = (number_keys(tuple(side.get("part_numbers") or ())) for side in (narrow, wide))
    if theirs and not (ours and ours <= theirs):
        return False
    return _span_within(narrow, wide)


def _span_within(narrow: Mapping[str, Any], wide: Mapping[str, Any]) -> bool:
    ours, theirs = span_of(narrow), span_of(wide)
    if theirs is None:
        return True
    return ours is not None and theirs.start <= ours.start and ours.end <= theirs.end
