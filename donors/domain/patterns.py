"""Patterns that name the fields of a make's model numbers.

A pattern is a linear-time regular expression (RE2) over the canonical form, with named groups
from a fixed set. RE2 refuses look-around and back-references, so nothing stored here can stall
the service.
"""

import re
from collections import Counter
from functools import lru_cache
from typing import Any

import re2

FIELDS = ("family", "size", "series", "revision", "colour", "market")
LONGEST_PATTERN = 200
MOST_MEMORY = 1 << 20
_GROUP = re.compile(r"\(\?P?<([^>=!]+)>")


class PatternRefused(ValueError):
    """The pattern cannot be stored; the message says why."""


def compile_pattern(pattern: str) -> Any:
    """Return the compiled pattern. Raises PatternRefused with the reason."""
    if len(pattern) > LONGEST_PATTERN:
        raise PatternRefused(
            f"the pattern has {len(pattern)} characters; at most {LONGEST_PATTERN} are allowed"
        )
    try:
        found = _compiled(pattern)
    except re2.error as bad:
        reason = bad.args[0] if bad.args else bad
        reason = reason.decode() if isinstance(reason, bytes) else str(reason)
        raise PatternRefused(
            f"the pattern is not a linear-time regular expression: {reason} "
            "(look-around and back-references are not available)"
        ) from bad
    except UnicodeEncodeError as bad:
        raise PatternRefused("the pattern holds half a character (a lone surrogate)") from bad
    unknown = set(found.groupindex) - set(FIELDS)
    if unknown:
        raise PatternRefused(
            f"the pattern names {', '.join(sorted(unknown))}; fields are {', '.join(FIELDS)}"
        )
    if not found.groupindex:
        raise PatternRefused(f"the pattern names no field; name some of {', '.join(FIELDS)}")
    # RE2 keeps the first of two groups of one name, so the second would be read and lost.
    twice = [name for name, times in Counter(_GROUP.findall(pattern)).items() if times > 1]
    if twice:
        raise PatternRefused(f"the pattern names {', '.join(sorted(twice))} twice")
    return found


@lru_cache(maxsize=2048)
def _compiled(pattern: str) -> Any:
    options = re2.Options()
    options.max_mem = MOST_MEMORY
    options.log_errors = False
    return re2.compile(pattern, options)


def fields_of(pattern: str, number: str) -> dict[str, str]:
    """Return the named fields of a canonical number; {} when it does not fit the pattern."""
    if not pattern or not number:
        return {}
    match = _compiled(pattern).fullmatch(number)
    if match is None:
        return {}
    return {name: value for name, value in match.groupdict().items() if value}
