"""Which part number a machine carries, judged by where numbers have been seen.

A sighting says: this number was seen in this machine. For another machine, each sighting of
the same make and family counts by how close that machine is (same model, same revision, other
revision) and how close its build date is. The counts give odds for each number.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from donors.domain.machines import Machine
from donors.domain.model_numbers import confusions
from matching.domain.comparisons import compare_models
from matching.domain.sides import Side
from matching.domain.weights import Weights
from parts.domain.interchange import InterchangeGraph
from parts.domain.kinds import Kind
from workshop.domain.intervals import Interval

CERTAIN = 1e6
LEAST_WEIGHT = 0.01


@dataclass(frozen=True, slots=True)
class Seen:
    """One sighting: a canonical part number and the machine it was seen in."""

    number: str
    machine: Machine
    position: str = ""


@dataclass(frozen=True, slots=True)
class Belief:
    """Weighted counts of the numbers a machine may carry. `total` 0 means nothing is known."""

    counts: Mapping[str, float]
    total: float
    nearest: str = ""

    def share(self, number: str) -> float:
        return self.counts.get(number, 0.0) / self.total if self.total else 0.0

    def likeliest(self) -> str:
        return max(self.counts, key=lambda number: (self.counts[number], number), default="")


def era_weight(a: Interval | None, b: Interval | None, weights: Weights) -> float:
    """Return 0..1: how far what was built then says something about what was built now."""
    if a is None or b is None:
        return weights.number("sightings", "era_unknown")
    return math.exp(-a.gap_years(b) / weights.number("sightings", "era_years"))


def closeness(level: str, kind: Kind, weights: Weights) -> float:
    """Return 0..1: how far a machine at this model level says something about another.

    For kinds that go by mount, size or colour, another revision is no matter as such: at the
    levels same-revision and other-revision, a field that does matter differs.
    """
    table = "closeness" if kind.fit_class == "exact-only" else "closeness_spec"
    return float(weights.table["sightings"][table].get(level, 0.0))


def _known_of(machine: Machine) -> tuple[object, ...]:
    """Return all of a machine that a belief depends on."""
    fields = frozenset(machine.fields.items())
    known = (machine.appliance, machine.make, machine.number, machine.family)
    return (*known, fields, machine.built, machine.sure)


@dataclass
class SightingIndex:
    """Sightings of one kind, found by make and family. Beliefs are kept while it lives."""

    kind: Kind
    weights: Weights
    _by_family: dict[tuple[str, str], list[Seen]] = field(default_factory=lambda: defaultdict(list))
    _beliefs: dict[tuple[object, ...], Belief] = field(default_factory=dict)

    def add_all(self, seen: Iterable[Seen]) -> None:
        for one in seen:
            self._by_family[one.machine.make, one.machine.family].append(one)

    def numbers(self) -> set[str]:
        """Return every number that was seen."""
        return {one.number for found in self._by_family.values() for one in found}

    def belief(self, side: Side) -> Belief:
        """Return which number the side's part carries: certain when it is printed."""
        if side.number:
            return Belief({side.number.canonical: CERTAIN}, CERTAIN, "printed")
        return self._about(side.machine, side.position)

    def beliefs(self, offer: Side, want: Side, level: str) -> tuple[Belief, Belief]:
        """Return which number each side's part carries; `level` is how the models compare.

        Where something is known of such machines as one side's, what is printed on the other
        side counts as one more sighting. Not when that machine has a reference: it is on
        record then, and its number is among the sightings already.
        """
        ours, theirs = self.belief(offer), self.belief(want)
        return self._beside(ours, offer, want, level), self._beside(theirs, want, offer, level)

    def _beside(self, belief: Belief, side: Side, other: Side, level: str) -> Belief:
        if side.number or not other.number or other.machine.ref or not belief.total:
            return belief
        weight = self._weight(side.machine, other.machine, level)
        if weight < LEAST_WEIGHT:
            return belief
        number = other.number.canonical
        counts = {**belief.counts, number: belief.counts.get(number, 0.0) + weight}
        return Belief(counts, belief.total + weight, belief.nearest)

    def _weight(self, machine: Machine, seen: Machine, level: str) -> float:
        """Return 0..1: how far what was seen in one machine speaks for another."""
        weight = closeness(level, self.kind, self.weights)
        weight *= era_weight(machine.built, seen.built, self.weights)
        return weight * min(machine.sure, seen.sure)

    def _about(self, machine: Machine, position: str) -> Belief:
        key = (_known_of(machine), position)
        if key not in self._beliefs:
            self._beliefs[key] = self._count(machine, position)
        return self._beliefs[key]

    def _count(self, machine: Machine, position: str) -> Belief:
        if not machine.make or not machine.family:
            return Belief({}, 0.0)
        counts: dict[str, float] = defaultdict(float)
        nearest, best = "", 0.0
        for seen in self._by_family.get((machine.make, machine.family), ()):
            if position and seen.position and position != seen.position:
                continue
            level = compare_models(machine, seen.machine, self.kind)
            weight = self._weight(machine, seen.machine, level)
            if weight >= LEAST_WEIGHT:
                counts[seen.number] += weight
            if weight > best:
                nearest, best = level, weight
        return Belief(dict(counts), sum(counts.values()), nearest)


def overlap(offered: Belief, wanted: Belief, graph: InterchangeGraph) -> tuple[float, float]:
    """Return (hits, tries): how far the two beliefs agree, in weighted counts.

    hits / tries is the chance that the offered number serves the wanted one; tries is what the
    weaker of the two beliefs rests on. Numbers apart by one character that is easily misread
    count as agreeing: among what was seen, a misreading is likelier than a second number.
    """
    if not offered.total or not wanted.total:
        return 0.0, 0.0
    agree = sum(
        offered.share(a) * wanted.share(b)
        for a in offered.counts
        for b in wanted.counts
        if a == b or graph.serves(a, b) or confusions(a, b) == 1
    )
    tries = min(offered.total, wanted.total)
    return agree * tries, tries
