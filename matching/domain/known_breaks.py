"""Breaks in force, and what they say of two machines."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from donors.domain.machines import Machine
from parts.domain.interchange import InterchangeGraph
from workshop.domain.intervals import Interval


@dataclass(frozen=True, slots=True, order=True)
class Scope:
    """Where a break holds: a family, one revision of it when `revision` is not blank, or one
    model of that when `model` (a canonical model number) is not blank."""

    make: str
    family: str
    revision: str = ""
    model: str = ""

    def covers(self, machine: Machine) -> bool:
        if (machine.make, machine.family) != (self.make, self.family):
            return False
        if self.revision and machine.revision != self.revision:
            return False
        return not self.model or machine.number == self.model

    def __str__(self) -> str:
        revision = f" revision {self.revision}" if self.revision else ""
        model = f" model {self.model}" if self.model else ""
        return f"{self.make} {self.family}{revision}{model}"


@dataclass(frozen=True, slots=True)
class KnownBreak:
    """A break in force. before, after: canonical numbers of either side, most seen first."""

    scope: Scope
    changed: Interval
    before: tuple[str, ...]
    after: tuple[str, ...]
    id: int | None = None

    def side(self, built: Interval | None) -> str:
        """Return before, after, or "" when the build date leaves it open."""
        if built is None:
            return ""
        if built.end < self.changed.start:
            return "before"
        return "after" if built.start > self.changed.end else ""

    def numbers(self, side: str) -> tuple[str, ...]:
        return self.before if side == "before" else self.after


@dataclass(frozen=True, slots=True)
class BreakFinding:
    """no-break (a known break lies not between them), across-break, or unknown."""

    level: str = "unknown"
    known: KnownBreak | None = None
    offered: str = ""


@dataclass
class BreakIndex:
    """The breaks of one kind, found by make and family."""

    _by_family: dict[tuple[str, str], list[KnownBreak]] = field(
        default_factory=lambda: defaultdict(list)
    )

    @classmethod
    def of(cls, known: Iterable[KnownBreak]) -> "BreakIndex":
        index = cls()
        for one in known:
            index._by_family[one.scope.make, one.scope.family].append(one)
        return index

    def covering(self, machine: Machine) -> list[KnownBreak]:
        rows = self._by_family.get((machine.make, machine.family), ())
        return [one for one in rows if one.scope.covers(machine)]

    def compare(self, a: Machine, b: Machine) -> BreakFinding:
        """Return whether a known break lies between two machines. Symmetric but for `offered`."""
        same = False
        for known in self.covering(a):
            if not known.scope.covers(b):
                continue
            ours, theirs = known.side(a.built), known.side(b.built)
            if ours and theirs and ours != theirs:
                return BreakFinding("across-break", known, ours)
            same = same or bool(ours and theirs)
        return BreakFinding("no-break") if same else BreakFinding()

    def part_ways(self, a: Machine, b: Machine) -> bool:
        """Return True when a known break lies between two machines."""
        return bool(self._by_family) and self.compare(a, b).level == "across-break"


def compare_across(
    offered: Machine, wanted: Machine, index: BreakIndex, graph: InterchangeGraph
) -> BreakFinding:
    """Return what the known breaks say of a part of one machine for another.

    A change after which the new number serves for the old is none for a newer part.
    """
    found = index.compare(offered, wanted)
    if found.known is None:
        return found
    theirs = found.known.numbers("after" if found.offered == "before" else "before")
    ours = found.known.numbers(found.offered)
    if all(any(graph.serves(a, b) for a in ours) for b in theirs):
        return BreakFinding("no-break")
    return found
