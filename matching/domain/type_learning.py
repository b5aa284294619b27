"""Which past parts were of one type, drawn from fittings, numbers, notes and machines.

Parts of one number are of one type; parts that fit one another nearly always are; parts of one
type measure alike; machines of one family carry few types. How many types there are is not
known. Types are drawn by Gibbs sampling of a Dirichlet process mixture (Neal 2000, algorithm 3:
one part or number at a time, given all others), the machines' part in it taken as a
pseudo-likelihood. The last sweeps are kept as readings. Same input, same output.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np

from matching.domain.outcomes import Past
from matching.domain.part_types import (
    BLUR,
    CLASSES,
    NEW,
    Reading,
    leaning,
    places_of,
    value_of,
)
from matching.domain.sides import Side
from parts.domain.kinds import Kind

SWEEPS, READINGS = 12, 4
NOWHERE, TIERS = 0, 3  # the row of no place, which stays empty; places a part has at most
LEAST = 10  # past fittings of a kind, below which nothing is drawn
# How often parts of one type, and of two, are noted to fit.
FIT_OF_ONE, FIT_OF_TWO = 0.97, 0.02
FIT_BITS = math.log(FIT_OF_ONE / FIT_OF_TWO)
MISFIT_BITS = math.log((1.0 - FIT_OF_ONE) / (1.0 - FIT_OF_TWO))


def learn(kind: Kind, pasts: Sequence[Past]) -> list[Reading]:
    """Return readings of these fittings for TypeIndex; [] for a kind that has no use for them."""
    if kind.fit_class not in CLASSES or len(pasts) < LEAST:
        return []
    drawing = _Drawing(_Parts.of(kind, pasts))
    random = np.random.default_rng(0)
    readings = []
    for sweep in range(SWEEPS):
        drawing.sweep(random, first=sweep == 0)
        if sweep >= SWEEPS - READINGS:
            readings.append(drawing.reading())
    return readings


Key = TypeVar("Key", bound=Hashable)


@dataclass
class _Node:
    """What is of one type for certain: all parts of a number, or a part without one.

    standing: the rows of each part's places, widest first, NOWHERE where one is lacking, and how
    often. notes: (row of a value, row of its attribute) noted, and how often. fits: nats for
    being of one type with another node.
    """

    number: str = ""
    standing: Counter[tuple[int, ...]] = field(default_factory=Counter)
    notes: Counter[tuple[int, int]] = field(default_factory=Counter)
    fits: dict[int, float] = field(default_factory=lambda: defaultdict(float))

    def close(self) -> None:
        """Unpack into arrays, once all is there."""
        self.stands = np.array(list(self.standing), dtype=int)
        self.stood = np.array(list(self.standing.values()), dtype=float)
        rows: Counter[int] = Counter()
        for places, times in self.standing.items():
            rows.update({row: times for row in places if row != NOWHERE})
        self.rows = np.array(list(rows), dtype=int)
        self.row_times = np.array(list(rows.values()), dtype=float)
        notes = np.array(list(self.notes), dtype=int).reshape(-1, 2)
        self.values, self.names = notes[:, 0], notes[:, 1]
        self.times = np.array(list(self.notes.values()), dtype=int)
        self.others = np.array(list(self.fits), dtype=int)
        self.nats = np.array(list(self.fits.values()), dtype=float)


@dataclass
class _Parts:
    """Past fittings of a kind as nodes; places, attributes and values as rows by name."""

    kind: Kind
    nodes: list[_Node] = field(default_factory=list)
    places: dict[str, int] = field(default_factory=lambda: {"": NOWHERE})
    names: dict[str, int] = field(default_factory=dict)
    values: dict[tuple[str, str], int] = field(default_factory=dict)
    _by_number: dict[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, kind: Kind, pasts: Iterable[Past]) -> "_Parts":
        found = cls(kind)
        for past in pasts:
            ours, theirs = found._add(past.offer), found._add(past.want)
            if ours != theirs:
                nats = FIT_BITS if past.fitted else MISFIT_BITS
                found.nodes[ours].fits[theirs] += nats
                found.nodes[theirs].fits[ours] += nats
        for node in found.nodes:
            node.close()
        return found

    def _add(self, side: Side) -> int:
        """Return the node of a part, with what this one tells of it."""
        number = side.number.canonical
        at = self._by_number.setdefault(number, len(self.nodes)) if number else len(self.nodes)
        if at == len(self.nodes):
            self.nodes.append(_Node(number))
        places = [_row(self.places, name) for name in places_of(side, self.kind)]
        places += [NOWHERE] * (TIERS - len(places))
        self.nodes[at].standing[tuple(places)] += 1
        for name, text in side.attributes.items():
            value = _row(self.values, (name, value_of(text)))
            self.nodes[at].notes[value, _row(self.names, name)] += 1
        return at


def _row(rows: dict[Key, int], key: Key) -> int:
    return rows.setdefault(key, len(rows))


class _Drawing:
    """Which node is of which type, and the counts that follow from it."""

    def __init__(self, parts: _Parts) -> None:
        self.parts, self.room = parts, 16
        self.type_of = np.full(len(parts.nodes), -1)
        self.sizes = np.zeros(self.room)
        self.seen = np.zeros((len(parts.places), self.room))
        self.noted = np.zeros((len(parts.values), self.room))
        self.named = np.zeros((len(parts.names), self.room))
        different = Counter(name for name, _ in parts.values)
        self.blur = BLUR * np.array([different[name] for name in parts.names], dtype=float)

    def sweep(self, random: np.random.Generator, *, first: bool) -> None:
        """Draw every node anew; at first those that tell most before the others."""
        nodes = self.parts.nodes
        order = list(range(len(nodes)))
        if first:
            order.sort(key=lambda at: -nodes[at].standing.total() - len(nodes[at].fits))
        else:
            order = random.permutation(len(nodes)).tolist()
        for at in order:
            if not first:
                self._count(nodes[at], self.type_of[at], -1)
            self._make_room()
            types, chances = self._chances(nodes[at])
            drawn = int(np.searchsorted(chances.cumsum(), random.random()))
            self.type_of[at] = types[min(drawn, len(types) - 1)]
            self._count(nodes[at], self.type_of[at], 1)

    def _count(self, node: _Node, of_type: int, sign: int) -> None:
        self.sizes[of_type] += sign
        self.seen[node.rows, of_type] += sign * node.row_times
        self.noted[node.values, of_type] += sign * node.times
        np.add.at(self.named[:, of_type], node.names, sign * node.times)

    def _make_room(self) -> None:
        if self.sizes.all():
            for name in ("sizes", "seen", "noted", "named"):
                was = getattr(self, name)
                setattr(self, name, np.concatenate([was, np.zeros_like(was)], axis=-1))

    def _chances(self, node: _Node) -> tuple[np.ndarray, np.ndarray]:
        """Return the types in use and one that is free, and the chance of each."""
        sizes = self.sizes.copy()
        sizes[int(np.flatnonzero(sizes == 0)[0])] = NEW
        types = np.flatnonzero(sizes)
        base = sizes[types] / sizes.sum()
        nats = np.log(base) + self._of_places(node, types, base)
        nats = nats + self._of_notes(node, types) + self._of_fits(node)[types]
        chances = np.exp(nats - nats.max())
        return types, chances / chances.sum()

    def _of_places(self, node: _Node, types: np.ndarray, base: np.ndarray) -> np.ndarray:
        rows = self.seen[np.ix_(node.stands.ravel(), types)]
        tiers = rows.reshape(len(node.stands), TIERS, len(types)).swapaxes(0, 1)
        found: np.ndarray = node.stood @ np.log(leaning(tiers, base) / base)
        return found

    def _of_notes(self, node: _Node, types: np.ndarray) -> np.ndarray:
        found = np.zeros(len(types))
        if not len(node.values):
            return found
        noted, named = self.noted[np.ix_(node.values, types)], self.named[np.ix_(node.names, types)]
        blur = self.blur[node.names][:, None]
        for nth in range(node.times.max()):
            left = node.times > nth
            shares = (noted[left] + nth + BLUR) / (named[left] + nth + blur[left])
            found = found + np.log(shares).sum(axis=0)
        return found

    def _of_fits(self, node: _Node) -> np.ndarray:
        types = self.type_of[node.others]
        drawn = types >= 0
        return np.bincount(types[drawn], weights=node.nats[drawn], minlength=len(self.sizes))

    def reading(self) -> Reading:
        """Return the state as plain values, the types numbered from 0 without gaps."""
        types = np.flatnonzero(self.sizes)
        parts, number = self.parts, {old: new for new, old in enumerate(types.tolist())}
        values: dict[str, dict[str, list[list[Any]]]] = defaultdict(dict)
        for (name, value), row in parts.values.items():
            values[name][value] = _packed(self.noted[row, types])
        return {
            "sizes": self.sizes[types].tolist(),
            "numbers": {
                node.number: number[int(of_type)]
                for node, of_type in zip(parts.nodes, self.type_of, strict=True)
                if node.number
            },
            "seen": {
                name: _packed(self.seen[row, types]) for name, row in parts.places.items() if name
            },
            "values": dict(values),
        }


def _packed(counts: np.ndarray) -> list[list[Any]]:
    """Return [type, count] of each type that has any."""
    return [[at, count] for at, count in enumerate(counts.tolist()) if count]
