"""The weights of the evidence: fixtures/reference/evidence.json, and what was learned since."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from parts.domain.kinds import Kind

# Where a level is looked up: a piece of evidence, and what was found before it, such as
# "model given unknown" or "attributes mount given differs".
Place = str
GIVEN = " given "
# Levels that no key finds a pair by (matching/asking.py): whatever is learned, they must not
# speak for it.
WITHOUT_KEY = frozenset(
    {
        "different",
        "other-make-number",
        "unlike",
        "other-family",
        "unsure-other-family",
        "other-make",
        "other-appliance",
    }
)


@dataclass(frozen=True, slots=True)
class Weights:
    """Weights in bits, by evidence, level and fit class. `table` is the parsed JSON.

    learned: what past fittings taught, {} for none; what it lacks is read from the table:
    `bits`, by kind slug and "place/level" (learning.py); `correction`, bits by feature
    (correcting.py); `types`, readings by kind slug (type_learning.py);
    `likely`, the chance from which a part is called likely to fit.
    """

    table: Mapping[str, Any]
    learned: Mapping[str, Any] = field(default_factory=dict)

    def prior(self, fit_class: str) -> float:
        return float(self.table["prior"][fit_class])

    def bits(self, evidence: str, level: str, fit_class: str) -> float:
        """Return the bits of one level. Raises KeyError for a level the table does not name."""
        column = self.table["classes"].index(fit_class)
        return float(self.table[evidence][level][column])

    def prior_of(self, kind: Kind) -> float:
        """Return the log2 odds of fit before any evidence."""
        return self._of_kind(kind).get("prior", self.prior(kind.fit_class))

    @property
    def correction(self) -> Mapping[str, float]:
        """Return the learned correction of the sum, bits by feature; {} for none."""
        found: Mapping[str, float] = self.learned.get("correction", {})
        return found

    def types_of(self, kind: Kind) -> Sequence[Mapping[str, Any]]:
        """Return what was read of the kind's types in past fittings (part_types.py)."""
        found: Sequence[Mapping[str, Any]] = self.learned.get("types", {}).get(kind.slug, ())
        return found

    def limits(self) -> dict[str, float]:
        """Return the chances at which one verdict gives way to the next."""
        limits = dict(self.table["verdicts"])
        return limits | {"likely": self.learned.get("likely", limits["likely"])}

    def weigh(self, place: Place, level: str, kind: Kind) -> float:
        """Return the bits of one level at one place, learned where it was learned."""
        found = self._of_kind(kind).get(f"{place}/{level}")
        if found is None:
            return self._by_hand(place, level, kind.fit_class)
        return min(found, 0.0) if level in WITHOUT_KEY else found

    def levels(self, place: Place, fit_class: str) -> dict[str, float]:
        """Return the table's bits of every level that says something at a place."""
        evidence = place.partition(GIVEN)[0].partition(" ")[0]
        rows = self.table[evidence].items()
        return {
            level: self._by_hand(place, level, fit_class)
            for level, row in rows
            if isinstance(row, list) and level != "unknown"
        }

    def _by_hand(self, place: Place, level: str, fit_class: str) -> float:
        name, _, given = place.partition(GIVEN)
        evidence = name.partition(" ")[0]
        return self.bits(evidence, level, fit_class) * self._share(evidence, level, given)

    def _share(self, evidence: str, level: str, given: str) -> float:
        """Return how much of a weight is left when the part numbers spoke first, 0..1."""
        if not given or level in {"other-appliance", "conflict"}:
            return 1.0
        share = self.number("model_given_number", given)
        return max(share, 0.1) if evidence == "attributes" else share

    def _of_kind(self, kind: Kind) -> Mapping[str, float]:
        found: Mapping[str, float] = self.learned.get("bits", {}).get(kind.slug, {})
        return found

    def taught(self, learned: Mapping[str, Any]) -> "Weights":
        """Return these weights with another lesson; {} for the table as it was set by hand."""
        return replace(self, learned=learned)

    def number(self, *path: str) -> float:
        """Return a single figure, e.g. number("sightings", "strength")."""
        found: Any = self.table
        for step in path:
            found = found[step]
        return float(found)
