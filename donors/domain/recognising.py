"""Say which known model number a text read from a plate is, or which it may be.

A first full version for catalogues of some tens of thousands of numbers; the lookup at scale
replaces `rank`, not its callers.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from rapidfuzz.distance import OSA, JaroWinkler

from donors.domain.model_numbers import confusions, fills, folded

NEAR = 0.72
LEAST_PREFIX = 5


class How(StrEnum):
    """How a text was matched to a known number, best first."""

    EXACT = "exact"
    ALIAS = "alias"
    WILDCARD = "wildcard"
    CONFUSABLE = "confusable"
    SHORTENED = "shortened"
    NEAR = "near"
    UNKNOWN = "unknown"

    @property
    def certain(self) -> bool:
        """Whether the machine may be called recognised without a person's word."""
        return self in {How.EXACT, How.ALIAS, How.WILDCARD}


WORDS = {
    How.EXACT: "known number",
    How.ALIAS: "known under another name",
    How.WILDCARD: "known number with an open position",
    How.CONFUSABLE: "differs only in characters that are easily misread",
    How.SHORTENED: "begins like it; the rest was not read",
    How.NEAR: "reads nearly alike",
    How.UNKNOWN: "not known",
}


@dataclass(frozen=True, slots=True)
class Known:
    """One known number or one of its aliases, in canonical form."""

    model_id: int
    make: str
    number: str
    is_alias: bool = False


@dataclass(frozen=True, slots=True)
class Found:
    """One candidate: which known number, how it was found, similarity 0..1 (ranks only)."""

    known: Known
    how: How
    likeness: float


def rank(query: str, known: Iterable[Known], *, make: str = "", most: int = 8) -> list[Found]:
    """Return candidates for a canonical number, best first, one a model.

    `make` prefers that make without excluding others, because it may be wrong.
    An empty query has no candidates.
    """
    if not query:
        return []
    best: dict[int, Found] = {}
    for entry in known:
        found = compare(query, entry)
        if found is not None:
            held = best.get(entry.model_id)
            if held is None or _order(found, make) < _order(held, make):
                best[entry.model_id] = found
    return sorted(best.values(), key=lambda found: _order(found, make))[:most]


def _order(found: Found, make: str) -> tuple[int, bool, float, str]:
    hows = list(How)
    other_make = bool(make) and found.known.make != make
    return (hows.index(found.how), other_make, -found.likeness, found.known.number)


def compare(query: str, entry: Known) -> Found | None:
    """Return how `query` matches one known number; None when it does not come near."""
    if query == entry.number:
        return Found(entry, How.ALIAS if entry.is_alias else How.EXACT, 1.0)
    if fills(entry.number, query):
        return Found(entry, How.WILDCARD, 1.0)
    off = confusions(query, entry.number)
    if off is not None:
        return Found(entry, How.CONFUSABLE, 1.0 - off / (len(query) + 1))
    shorter = len(query) < len(entry.number)
    if shorter and len(query) >= LEAST_PREFIX and folded(entry.number).startswith(folded(query)):
        return Found(entry, How.SHORTENED, len(query) / len(entry.number))
    likeness = similarity(query, entry.number)
    return Found(entry, How.NEAR, likeness) if likeness >= NEAR else None


def similarity(a: str, b: str) -> float:
    """Return 0..1: a blend of edit distance with transpositions and Jaro-Winkler.

    Taken over the folded forms, so a misread character costs less. 0 when either is empty.
    """
    left, right = folded(a), folded(b)
    if not left or not right:
        return 0.0
    edit = OSA.normalized_similarity(left, right)
    if edit < NEAR - 0.2:
        return float(edit)
    return float(0.7 * edit + 0.3 * JaroWinkler.similarity(left, right))


def settled(candidates: Sequence[Found]) -> Found | None:
    """Return the one candidate a machine may be called without asking; None otherwise.

    Only exact, alias and wildcard hits settle it, and only when no second model ties.
    """
    if not candidates or not candidates[0].how.certain:
        return None
    top = candidates[0]
    ties = [found for found in candidates if found.how == top.how]
    return top if len(ties) == 1 else None


def probable(candidates: Sequence[Found]) -> tuple[Found, float] | None:
    """Return the likeliest candidate and how sure that is (0..1, rough), or None.

    Used to score matches of a machine nobody has confirmed yet; never shown as a percentage.
    """
    if not candidates:
        return None
    top = candidates[0]
    rivals = sum(1 for found in candidates if found.how == top.how and _rivals(found, top))
    base = {
        How.EXACT: 1.0,
        How.ALIAS: 1.0,
        How.WILDCARD: 0.98,
        How.CONFUSABLE: 0.93,
        How.SHORTENED: 0.8,
        How.NEAR: 0.6,
    }[top.how]
    return top, base / max(1, rivals)


def _rivals(found: Found, top: Found) -> bool:
    return found.likeness >= top.likeness - 0.02
