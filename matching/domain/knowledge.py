"""All that is known about one kind of part, gathered once and asked for many pairs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from matching.domain.known_breaks import BreakIndex
from matching.domain.noted import NotedIndex
from matching.domain.outcomes import OutcomeIndex
from matching.domain.part_types import TypeIndex
from matching.domain.rules import ApprovedRule
from matching.domain.sightings import SightingIndex
from matching.domain.weights import Place, Weights
from parts.domain.interchange import InterchangeGraph
from parts.domain.kinds import Kind


@dataclass
class Knowledge:
    """What the engine consults for one kind: never changes while it is in use.

    printed: part numbers as they are printed, by canonical form, for the sentences. breaks: the
    accepted build breaks.
    """

    kind: Kind
    weights: Weights
    graph: InterchangeGraph = field(default_factory=InterchangeGraph)
    rules: Sequence[ApprovedRule] = ()
    printed: Mapping[str, str] = field(default_factory=dict)
    breaks: BreakIndex = field(default_factory=BreakIndex)
    sightings: SightingIndex = field(init=False)
    outcomes: OutcomeIndex = field(init=False)
    noted: NotedIndex = field(init=False)
    types: TypeIndex = field(init=False)
    _weighed: dict[tuple[Place, str], float] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.sightings = SightingIndex(self.kind, self.weights, self.breaks)
        self.outcomes = OutcomeIndex(self.weights, self.breaks)
        self.noted = NotedIndex(self.kind, self.weights)
        self.types = TypeIndex(self.kind, self.weights.types_of(self.kind))

    def weigh(self, place: Place, level: str) -> float:
        """Return the bits of one level at one place; asked for the same few again and again."""
        if (place, level) not in self._weighed:
            self._weighed[place, level] = self.weights.weigh(place, level, self.kind)
        return self._weighed[place, level]

    def show(self, number: str) -> str:
        """Return a canonical part number as it is printed, where that is known."""
        return self.printed.get(number, number)
