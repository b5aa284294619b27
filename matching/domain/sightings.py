"""Which part number a machine carries, judged by where numbers have been seen.

A sighting says: this number was seen in this machine. For another machine, each sighting of
the same make and family counts by how close that machine is (same model, same revision, other
revision) and how close its build date is; nothing when a known build break lies between. How
the counts divide among the numbers is worked out tier by tier (carrying.py).
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from donors.domain.machines import Machine
from donors.domain.model_numbers import confusions
from matching.domain import carrying
from matching.domain.comparisons import compare_models
from matching.domain.known_breaks import BreakIndex
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
    """Weighted counts of the numbers a machine may carry. `total` 0 means nothing is known.

    nearest: the likest machine seen. seen: plain counts of the sightings at the nearest tier
    that has any, and `tier` its name: what is told to people. unseen: the chance of a number
    that was not seen in such machines.
    """

    counts: Mapping[str, float]
    total: float
    nearest: str = ""
    tier: str = ""
    seen: Mapping[str, int] = field(default_factory=dict)
    unseen: float = 0.0

    def chance(self, number: str) -> float:
        """Return the chance that the machine carries this number, 0..1."""
        return self.share(number) * (1.0 - self.unseen)

    def share(self, number: str) -> float:
        """Return the same among the numbers seen, leaving out that it may be another."""
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
    breaks: BreakIndex = field(default_factory=BreakIndex)
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
        return self.about(side.machine, side.position)

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
        if self.breaks.part_ways(machine, seen):
            return 0.0
        weight = closeness(level, self.kind, self.weights)
        weight *= era_weight(machine.built, seen.built, self.weights)
        return weight * min(machine.sure, seen.sure)

    def about(self, machine: Machine, position: str) -> Belief:
        key = (_known_of(machine), position)
        if key not in self._beliefs:
            self._beliefs[key] = self._count(machine, position)
        return self._beliefs[key]

    def _count(self, machine: Machine, position: str) -> Belief:
        """Return how much is known of such machines, and how it divides among the numbers."""
        if not machine.make or not machine.family:
            return Belief({}, 0.0)
        total, nearest, best = 0.0, "", 0.0
        near = list(self._near(machine, position))
        for seen, level in near:
            weight = self._weight(machine, seen.machine, level)
            total += weight if weight >= LEAST_WEIGHT else 0.0
            if weight > best:
                nearest, best = level, weight
        if not total:
            return Belief({}, 0.0)
        chances = self._chances(machine, near, {})
        held = sum(chances.values())
        counts = {number: total * chance / held for number, chance in chances.items()}
        return Belief(counts, total, nearest)

    def _near(self, machine: Machine, position: str) -> Iterable[tuple[Seen, str]]:
        """Yield the sightings of the family that may speak for a position, and how alike."""
        levels: dict[tuple[object, ...], str] = {}  # a family has many machines of few models
        for seen in self._by_family.get((machine.make, machine.family), ()):
            apart = position and seen.position and position != seen.position
            if apart or self.breaks.part_ways(machine, seen.machine):
                continue
            other = seen.machine
            model = (other.number, id(other.fields), other.appliance, other.sure)
            if model not in levels:
                levels[model] = compare_models(machine, other, self.kind)
            yield seen, levels[model]

    def _chances(
        self, machine: Machine, near: Iterable[tuple[Seen, str]], base: Mapping[str, float]
    ) -> dict[str, float]:
        """Return the chance of each number, tier by tier; `base` is what the make says."""
        settings = Tiers.of(self.kind, self.weights)
        at: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
        for seen, level in near:
            tier = carrying.TIER_OF_LEVEL.get(level)
            if tier:
                weight = settings.era(machine.built, seen.machine.built)
                at[tier][seen.number] += weight * min(machine.sure, seen.machine.sure)
        return carrying.shares(carrying.nested(at), settings.strengths, base)

    def predict(
        self, machine: Machine, position: str = "", of_make: Mapping[str, int] | None = None
    ) -> Belief:
        """Return which number a machine carries, with what it rests on, for people to read.

        of_make: how often each number was seen in machines of the make, as the widest tier.
        """
        near = list(self._near(machine, position)) if machine.make and machine.family else []
        settings = Tiers.of(self.kind, self.weights)
        chances = self._chances(machine, near, carrying.base_of(of_make or {}, settings.of_make))
        held = sum(chances.values())
        tier, seen = _nearest_seen(near)
        if not seen and of_make:
            tier, seen = "make", dict(of_make)
        return Belief(chances, held, tier=tier, seen=seen, unseen=max(0.0, 1.0 - held))


@dataclass(frozen=True, slots=True)
class Tiers:
    """How the tiers of carrying.py lean on one another, from evidence.json.

    strengths: sightings the next wider tier stands for, nearest tier first. of_make: sightings
    left to a number the make was never seen to use. years: how fast a sighting fades with the
    time between the two builds; unknown: its weight when a date is not known.
    """

    strengths: tuple[float, ...]
    of_make: float
    years: float
    unknown: float

    @classmethod
    def of(cls, kind: Kind, weights: Weights) -> "Tiers":
        name = "exact-only" if kind.fit_class == "exact-only" else "other"
        row = weights.table["sightings"]["tiers"][name]
        strengths = tuple(float(row[tier]) for tier in carrying.TIERS)
        return cls(strengths, float(row["make"]), float(row["years"]), float(row["unknown"]))

    def era(self, a: Interval | None, b: Interval | None) -> float:
        if a is None or b is None:
            return self.unknown
        return math.exp(-a.gap_years(b) / self.years)


def _nearest_seen(near: Iterable[tuple[Seen, str]]) -> tuple[str, dict[str, int]]:
    """Return the nearest tier with a sighting, and how often each number was seen there."""
    at: dict[str, Counter[str]] = defaultdict(Counter)
    for seen, level in near:
        tier = carrying.TIER_OF_LEVEL.get(level)
        if tier:
            at[tier][seen.number] += 1
    for tier in carrying.TIERS:
        if at.get(tier):
            return tier, dict(at[tier])
    return "", {}


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
