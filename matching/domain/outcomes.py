"""What past fittings say about a new one: Beta-binomial counts at three distances."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from donors.domain.machines import Machine
from matching.domain.known_breaks import BreakIndex
from matching.domain.sides import Side
from matching.domain.sightings import era_weight
from matching.domain.weights import Weights

MachineKey = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Past:
    """One past fitting: what was offered, for what, and whether it went in and worked."""

    offer: Side
    want: Side
    fitted: bool


@dataclass(frozen=True, slots=True)
class Counts:
    """Weighted fits among weighted tries at one distance.

    basis: numbers (this number for that number), number-in-family (this number in that family
    and revision) or families (a part of that family in this one).
    """

    basis: str = ""
    fits: float = 0.0
    tries: float = 0.0
    plain_fits: int = 0
    plain_tries: int = 0


def machine_key(machine: Machine) -> MachineKey | None:
    """Return what past fittings are grouped by; None when make or family is unknown."""
    if not machine.make or not machine.family:
        return None
    return (machine.make, machine.family, machine.revision)


@dataclass
class OutcomeIndex:
    """Past fittings of one kind, found by number pair, number and machine, machine pair.

    breaks: the accepted build breaks. A fitting from the other side of one tells nothing of
    machines on this side; a pair of printed numbers is the same pair on either.
    """

    weights: Weights
    breaks: BreakIndex = field(default_factory=BreakIndex)
    _pasts: dict[tuple[object, ...], list[Past]] = field(default_factory=lambda: defaultdict(list))
    _misfits: set[tuple[int | None, int | None]] = field(default_factory=set)

    def add_all(self, pasts: Iterable[Past]) -> None:
        for past in pasts:
            if not past.fitted:
                self._misfits.add((past.offer.row, past.want.row))
            for _, key in self._keys(past.offer, past.want):
                self._pasts[key].append(past)

    def did_not_fit(self, offer: Side, want: Side) -> bool:
        """Return whether this very part was tried for this very need and did not fit."""
        known = offer.row is not None and want.row is not None
        return known and (offer.row, want.row) in self._misfits

    def counts(self, offer: Side, want: Side) -> Counts:
        """Return the counts at the nearest distance that has enough to say something.

        When both numbers are printed only fittings of that very pair count: numbers say more
        than the machines they sit in, and a family may carry several.
        """
        keys = self._keys(offer, want)
        if offer.number and want.number:
            keys = keys[:1]
        for basis, key in keys:
            found = self._count(basis, self._pasts.get(key, ()), offer, want)
            if found.tries >= self.weights.number("outcomes", "least"):
                return found
        return Counts()

    def _keys(self, offer: Side, want: Side) -> list[tuple[str, tuple[object, ...]]]:
        keys: list[tuple[str, tuple[object, ...]]] = []
        donor, job = machine_key(offer.machine), machine_key(want.machine)
        if offer.number and want.number:
            pair = (offer.number.canonical, want.number.canonical)
            keys.append(("numbers", ("numbers", *pair)))
        if offer.number and job:
            keys.append(("number-in-family", ("number", offer.number.canonical, job)))
        if donor and job:
            keys.append(("families", ("families", donor, job)))
        return keys

    def _count(self, basis: str, pasts: Iterable[Past], offer: Side, want: Side) -> Counts:
        fits = tries = 0.0
        plain_fits = plain_tries = 0
        for past in pasts:
            if self._across(basis, past, offer, want):
                continue
            weight = 1.0 if basis == "numbers" else self._weight(basis, past, offer, want)
            tries += weight
            fits += weight * past.fitted
            plain_tries += 1
            plain_fits += past.fitted
        return Counts(basis, fits, tries, plain_fits, plain_tries)

    def _across(self, basis: str, past: Past, offer: Side, want: Side) -> bool:
        """Return whether a build break parts the machines a distance goes by from these."""
        if basis == "numbers":
            return False
        part_ways = self.breaks.part_ways
        if part_ways(past.want.machine, want.machine):
            return True
        return basis == "families" and part_ways(past.offer.machine, offer.machine)

    def _weight(self, basis: str, past: Past, offer: Side, want: Side) -> float:
        """Return how far a past fitting speaks for this one: by build dates on both sides."""
        weight = era_weight(past.want.machine.built, want.machine.built, self.weights)
        if basis == "families":
            weight *= era_weight(past.offer.machine.built, offer.machine.built, self.weights)
        return weight
