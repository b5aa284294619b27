"""What a part probably measures where nobody noted it: by its number, else by its machine.

Parts of one number are alike, and machines of one family carry alike parts: what was noted of
others stands in for what was not noted of this one. It is a guess, weighed as one, and never
stops a part.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from matching.domain.comparisons import compare_values
from matching.domain.sides import Side
from matching.domain.sightings import Belief, Seen, SightingIndex
from matching.domain.weights import Weights
from parts.domain.kinds import Attribute, Kind

CLEAR = 0.75  # how far the guesses of both sides must agree, or disagree, to count
LEAST = 0.4  # sightings a guess must rest on, each weighed by how near it is


@dataclass(frozen=True, slots=True)
class Guess:
    """One attribute compared by what was noted of others: agrees or conflict, and the values."""

    name: str
    level: str
    offered: str
    wanted: str


@dataclass
class NotedIndex:
    """Attributes noted of parts of one kind, by part number and by make and family."""

    kind: Kind
    weights: Weights
    _by_number: dict[tuple[str, str], dict[str, float]] = field(default_factory=dict)
    _by_machine: dict[str, SightingIndex] = field(default_factory=dict)

    def add_all(self, sides: Iterable[Side]) -> None:
        for side in sides:
            for name in self._soft(side.attributes):
                self._add(name, side.attributes[name].strip().casefold(), side)

    def _add(self, name: str, value: str, side: Side) -> None:
        if side.number:
            votes = self._by_number.setdefault((side.number.canonical, name), defaultdict(float))
            votes[value] += 1.0
        index = self._by_machine.setdefault(name, SightingIndex(self.kind, self.weights))
        index.add_all([Seen(value, side.machine, side.position)])

    def _soft(self, names: Iterable[str]) -> list[str]:
        """Return those of the attributes a guess may speak on: none that could stop a part."""
        known = self.kind.attributes
        return [name for name in names if not known.get(name, Attribute(name)).hard]

    def guesses(self, offer: Side, want: Side) -> list[Guess]:
        """Return the attributes not stated on both sides that clearly agree or conflict."""
        found = []
        for name in sorted(self._by_machine):
            if name in offer.attributes and name in want.attributes:
                continue
            ours, theirs = self._belief(name, offer), self._belief(name, want)
            share = self._agreement(name, ours, theirs)
            if share is not None and not 1 - CLEAR < share < CLEAR:
                level = "agrees" if share >= CLEAR else "conflict"
                found.append(Guess(name, level, ours.likeliest(), theirs.likeliest()))
        return found

    def _belief(self, name: str, side: Side) -> Belief:
        stated = side.attributes.get(name, "").strip().casefold()
        if stated:
            return Belief({stated: 1.0}, 1.0)
        votes = self._by_number.get((side.number.canonical, name)) if side.number else None
        if votes:
            return Belief(votes, sum(votes.values()))
        return self._by_machine[name].about(side.machine, side.position)

    def _agreement(self, name: str, ours: Belief, theirs: Belief) -> float | None:
        """Return 0..1: the chance that both measure alike; None when too little is known."""
        if min(ours.total, theirs.total) < LEAST:
            return None
        attribute = self.kind.attributes.get(name, Attribute(name))
        return sum(
            ours.share(a) * theirs.share(b)
            for a in ours.counts
            for b in theirs.counts
            if compare_values(a, b, attribute) in {"agrees", "within-tolerance"}
        )
