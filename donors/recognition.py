"""What a text read from a plate is taken for: the values the catalogue answers with."""

from collections.abc import Sequence
from dataclasses import dataclass

from donors.domain import model_numbers
from donors.domain.recognising import WORDS, How

# Ways of finding that say "like it", not "it": never stronger than what the plate itself says.
ROUGH = frozenset({How.NEAR, How.SHORTENED, How.NAMED})


@dataclass(frozen=True, slots=True)
class KnownModel:
    """A known model as the catalogue holds it."""

    id: int
    make_id: int
    make: str
    number: str
    canonical: str
    appliance: str
    family: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A known model a text may be, and how it was found.

    likeness 0..1 only ranks; probability 0..1 is calibrated for the first candidate.
    differs_only_in: colour or market, when nothing else tells it from the first candidate.
    """

    model: KnownModel
    how: How
    likeness: float
    probability: float = 0.0
    differs_only_in: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Recognition:
    """What a text read from a plate is taken for.

    settled: the model it certainly is, else None. likely: the best guess with `certainty`,
    its calibrated probability (1 when settled). candidates: best first, to be shown when it is
    not settled.
    make: told, or guessed when `make_is_guess`. reads_well: the make's pattern explains the
    number as it was read. guessed: nobody has stored a pattern; fields are read by a guess.
    """

    canonical: str
    make_id: int | None
    make: str
    make_is_guess: bool
    settled: KnownModel | None
    likely: KnownModel | None
    certainty: float
    how: How
    candidates: tuple[Candidate, ...]
    fields: dict[str, str]
    reads_well: bool = False
    guessed: bool = False
    reads_alike: bool = False

    @property
    def likeness(self) -> float:
        """0..1: how alike the best candidate reads, whatever else does; 0 without any."""
        return max((one.likeness for one in self.candidates), default=0.0)

    @property
    def family(self) -> str:
        if self.likely is not None and self.likely.family:
            return self.likely.family
        return self.fields.get("family", "")

    @property
    def likely_number(self) -> str:
        """Canonical number the machine is matched by: the likely model's, else as read.

        The plate is kept where it says more than the known number does: when that has an open
        position, or is only near while the make's pattern explains the plate in full.
        """
        if self.likely is None or model_numbers.has_wildcard(self.likely.canonical):
            return self.canonical
        if self.reads_well and self.how in ROUGH:
            return self.canonical
        return self.likely.canonical


@dataclass(frozen=True, slots=True)
class Mention:
    """A model number in a text: text[start:end], and what it was taken for."""

    start: int
    end: int
    seen: Recognition


def describe(candidates: Sequence[Candidate]) -> list[dict[str, object]]:
    """Return candidates as plain rows for pages and the API."""
    return [
        {
            "model_id": str(one.model.id),
            "make": one.model.make,
            "model_number": one.model.number,
            "appliance": one.model.appliance,
            "family": one.model.family,
            "how": one.how.value,
            "why": _why(one),
            "probability": round(one.probability, 3),
            "differs_only_in": list(one.differs_only_in),
        }
        for one in candidates
    ]


def _why(one: Candidate) -> str:
    if not one.differs_only_in:
        return WORDS[one.how]
    return f"differs from the first only in {' and '.join(one.differs_only_in)}"


def as_row(seen: Recognition) -> dict[str, object]:
    """Return a recognition as plain values for the API and commands."""
    return {
        "read_as": seen.canonical,
        "make": seen.make,
        "make_is_guess": seen.make_is_guess,
        "settled": seen.settled.number if seen.settled else "",
        "likely": seen.likely.number if seen.likely else "",
        "family": seen.family,
        "how": seen.how.value,
        "probability": round(seen.certainty, 3),
        "candidates": describe(seen.candidates),
    }
