"""Which part number goes in for which: a directed graph of supersessions and interchanges."""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise


@dataclass(frozen=True, slots=True)
class Edge:
    """`to` goes in where `from_` is asked for; the other way too when both_ways."""

    from_: str
    to: str
    both_ways: bool = False


@dataclass
class InterchangeGraph:
    """Directed graph over canonical part numbers of one kind.

    A supersession (one way) says that the reverse does not hold. It is contradicted when the
    reverse can be read off the relations all the same: a circle with a one-way step in it.
    """

    _next: dict[str, list[str]] = field(default_factory=dict)
    _one_way: set[tuple[str, str]] = field(default_factory=set)
    _paths: dict[str, Mapping[str, str]] = field(default_factory=dict)

    @classmethod
    def of(cls, edges: Iterable[Edge]) -> "InterchangeGraph":
        """Return the graph of stored relations; a contradiction among them is read, not refused."""
        graph = cls()
        for edge in edges:
            graph._link(edge)
        return graph

    def add(self, edge: Edge) -> None:
        """Add a relation. Raises ValueError naming the path when it contradicts another."""
        circle = self.contradiction(edge)
        if circle:
            raise ValueError(f"it would run in a circle: {self.told(circle, edge)}")
        self._link(edge)

    def _link(self, edge: Edge) -> None:
        self._next.setdefault(edge.from_, []).append(edge.to)
        if edge.both_ways:
            self._next.setdefault(edge.to, []).append(edge.from_)
        else:
            self._one_way.add((edge.from_, edge.to))
        self._paths.clear()

    def contradiction(self, edge: Edge) -> list[str]:
        """Return the circle a new relation would close around a one-way step, [] when none.

        Numbers that all interchange both ways are no circle.
        """
        if edge.from_ == edge.to:
            return [edge.from_, edge.to]
        if not edge.both_ways:
            back = self.path(edge.to, edge.from_)
            return [edge.from_, *back] if back else []
        for start, end in ((edge.to, edge.from_), (edge.from_, edge.to)):
            back = self._way_with_one_way_step(start, end)
            if back:
                return [end, *back]
        return []

    def _way_with_one_way_step(self, start: str, end: str) -> list[str]:
        """Return a shortest way that takes a one-way step, [] when there is none.

        Searched over pairs (number, whether such a step was taken).
        """
        first = (start, False)
        before: dict[tuple[str, bool], tuple[str, bool]] = {first: first}
        waiting = deque([first])
        while waiting:
            here = waiting.popleft()
            number, taken = here
            for there in self._next.get(number, ()):
                step = (there, taken or (number, there) in self._one_way)
                if step not in before:
                    before[step] = here
                    waiting.append(step)
        if (end, True) not in before:
            return []
        way = [(end, True)]
        while way[-1] != first:
            way.append(before[way[-1]])
        return [number for number, _ in reversed(way)]

    def told(self, path: Sequence[str], *new: Edge) -> str:
        """Return a way in words: `>` for a one-way step, `<>` for one that runs both ways.

        new: relations of the way that are not in the graph yet.
        """
        one_way = self._one_way | {(e.from_, e.to) for e in new if not e.both_ways}
        signs = [">" if step in one_way else "<>" for step in pairwise(path)]
        return " ".join(
            [path[0], *(f"{sign} {to}" for sign, to in zip(signs, path[1:], strict=True))]
        )

    def path(self, wanted: str, offered: str) -> list[str]:
        """Return the numbers from the one wanted to the one offered; [] when there is no way.

        A number reaches itself in no step. The way returned is a shortest one.
        """
        if not wanted or not offered:
            return []
        if wanted == offered:
            return [wanted]
        if wanted not in self._next:
            return []
        if wanted not in self._paths:
            self._paths[wanted] = _search(self._next, wanted)
        back = self._paths[wanted]
        return _walk(back, wanted, offered) if offered in back else []

    def serves(self, offered: str, wanted: str) -> bool:
        """Return True when a part numbered `offered` may stand in for `wanted`."""
        return bool(self.path(wanted, offered))


def _search(steps: Mapping[str, Iterable[str]], start: str) -> dict[str, str]:
    """Return, for every number reachable from `start`, the number before it."""
    before: dict[str, str] = {start: start}
    waiting = deque([start])
    while waiting:
        here = waiting.popleft()
        for there in steps.get(here, ()):
            if there not in before:
                before[there] = here
                waiting.append(there)
    return before


def _walk(before: Mapping[str, str], start: str, end: str) -> list[str]:
    path = [end]
    while path[-1] != start:
        path.append(before[path[-1]])
    return path[::-1]
