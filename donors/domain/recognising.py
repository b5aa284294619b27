"""How a text was matched to a known number, in words, and how alike two numbers read."""

from enum import StrEnum

from rapidfuzz.distance import OSA, JaroWinkler

from donors.domain.model_numbers import folded

NEAR = 0.72


class How(StrEnum):
    """How a text was matched to a known number, best first."""

    EXACT = "exact"
    ALIAS = "alias"
    WILDCARD = "wildcard"
    CONFUSABLE = "confusable"
    SHORTENED = "shortened"
    NEAR = "near"
    NAMED = "named"
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
    How.NAMED: "stands among other words of what was read",
    How.UNKNOWN: "not known",
}


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
