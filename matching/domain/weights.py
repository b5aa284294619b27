"""The weights of the evidence, read from fixtures/reference/evidence.json."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Weights:
    """Weights in bits, by evidence, level and fit class. `table` is the parsed JSON."""

    table: Mapping[str, Any]

    def prior(self, fit_class: str) -> float:
        return float(self.table["prior"][fit_class])

    def bits(self, evidence: str, level: str, fit_class: str) -> float:
        """Return the bits of one level. Raises KeyError for a level the table does not name."""
        column = self.table["classes"].index(fit_class)
        return float(self.table[evidence][level][column])

    def number(self, *path: str) -> float:
        """Return a single figure, e.g. number("sightings", "strength")."""
        found: Any = self.table
        for step in path:
            found = found[step]
        return float(found)
