"""Whether two parts are of one type, by types drawn from past fittings.

One pump goes into machines of several makes, under a number of each. Past fittings, numbers and
noted attributes together tell which numbers and machines carry the same thing
(type_learning.py); what they tell is kept as one or more readings of the same past. Here a side
is laid beside them: its chance of being of each type, and of both sides being of one.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from matching.domain.odds import to_bits
from matching.domain.sides import Side
from parts.domain.kinds import Kind
from parts.domain.quantities import as_number

# Kinds that go by what they measure serve many makes; boards and fronts are one maker's own.
CLASSES = frozenset({"spec-match", "measured-match"})
NAME = "type"
LEAN = 10.0  # fittings that what is known of all parts stands for beside a family's, and so on
NEW = 2.0  # numbers that stand for a type never seen
BLUR = 0.01  # how often, in notes, a type shows a value it was not seen with
MISREAD = 0.02  # a number known to be of one type is another's after all
BOTH_NEW = 0.02  # two sides of types never seen are of the same one
MOST_BITS = 6.0

Reading = Mapping[str, Any]


def places_of(side: Side, kind: Kind) -> list[str]:
    """Return where a machine stands, widest first: family, alike in what matters, model."""
    machine = side.machine
    if not machine.make or not machine.family:
        return []
    fields = machine.fields
    known = [f"{name}={fields[name]}" for name in sorted(kind.matters) if fields.get(name)]
    family = f"{machine.make}|{machine.family}"
    alike = f"{family}|{','.join(known)}"
    return [family, alike, f"{alike}|{machine.number}"][: 3 if machine.number else 2]


def value_of(text: str) -> str:
    """Return a noted value so that equal ones are written alike."""
    number = as_number(text)
    return text.strip().casefold() if number is None else f"{number:g}"


def leaning(tiers: Iterable[np.ndarray], base: np.ndarray) -> np.ndarray:
    """Return the chance of each type, each tier of counts leaning on the wider one before it."""
    for counts in tiers:
        base = (counts + LEAN * base) / (counts.sum(axis=-1, keepdims=True) + LEAN)
    return base


@dataclass
class TypeIndex:
    """The readings of one kind. Empty when nothing was learned. Never changes."""

    kind: Kind
    readings: Sequence[Reading] = ()
    _chances: dict[tuple[object, ...], list[np.ndarray]] = field(default_factory=dict)

    def one_type(self, offer: Side, want: Side) -> float | None:
        """Return log2 odds that both are of one type, within MOST_BITS; None for no reading."""
        if not self.readings:
            return None
        shares = []
        for ours, theirs in zip(self._of(offer), self._of(want), strict=True):
            both = ours * theirs
            shares.append(float(both[:-1].sum() + BOTH_NEW * both[-1]))
        bits = to_bits(sum(shares) / len(shares))
        return max(-MOST_BITS, min(MOST_BITS, bits))

    def _of(self, side: Side) -> list[np.ndarray]:
        noted = tuple(sorted(side.attributes.items()))
        key = (side.number.canonical, *places_of(side, self.kind)[-1:], noted)
        if key not in self._chances:
            self._chances[key] = [one.chances(side) for one in self._read]
        return self._chances[key]

    @cached_property
    def _read(self) -> list["_Read"]:
        return [_Read(self.kind, one) for one in self.readings]


@dataclass(frozen=True)
class _Read:
    """One reading, its rows of counts unpacked as they are asked for. The last type is new."""

    kind: Kind
    reading: Reading

    @cached_property
    def base(self) -> np.ndarray:
        found = np.array([*self.reading["sizes"], NEW], dtype=float)
        return found / found.sum()

    def chances(self, side: Side) -> np.ndarray:
        """Return the chance of each type, the last one being a type never seen."""
        seen = self.reading["seen"]
        tiers = [self._counts(seen[at]) for at in places_of(side, self.kind) if at in seen]
        found = leaning(tiers, self.base)
        known = self.reading["numbers"].get(side.number.canonical)
        if known is not None:
            found = MISREAD * found
            found[known] += 1.0 - MISREAD
        for name, text in side.attributes.items():
            values = self.reading["values"].get(name)
            if values:
                noted = {value: self._counts(rows) for value, rows in values.items()}
                total = sum(noted.values(), np.zeros(len(self.base)))
                agrees = noted.get(value_of(text), 0.0)
                found = found * (agrees + BLUR) / (total + BLUR * len(noted))
        share: np.ndarray = found / found.sum()
        return share

    def _counts(self, rows: Iterable[Sequence[Any]]) -> np.ndarray:
        found = np.zeros(len(self.base))
        for at, count in rows:
            found[at] = count
        return found


def features(kind: Kind, bits: float | None) -> dict[str, float]:
    """Return what the correction weighs of it, by name (correcting.py)."""
    if bits is None:
        return {}
    groups = ("all", kind.fit_class, kind.slug)
    found = {f"{NAME}/{group}": bits for group in groups}
    return found | {f"{NAME}/{group}/clear": abs(bits) for group in groups}
