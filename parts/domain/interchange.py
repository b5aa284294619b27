"""Which part number goes in for which: a directed graph of supersessions and interchanges."""

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Edge:
    """`to` goes in where `from_` is asked for; the other way too when both_ways."""

    from_: str
    to: str
    both_ways: bool = False


@dataclass
class InterchangeGraph:
    """Directed graph over canonical part numbers of one kind."""

    _next: dict[str, list[str]] = field(default_factory=dict)
    _superseded_by: dict[str, set[str]] = field(default_factory=dict)
    _paths: dict[str, Mapping[str, str]] = field(default_factory=dict)

    @classmethod
    def of(cls, edges: Iterable[Edge]) -> "InterchangeGraph":
        """Return the graph of stored relations; a circle among them is read, not refused."""
        graph = cls()
        for edge in edges:
            graph._link(edge, supersedes=not edge.both_ways and not graph.cycle(edge))
        return graph

    def add(self, edge: Edge) -> None:
        """Add a relation. Raises ValueError naming the path when it would close a cycle."""
        if not edge.both_ways:
            cycle = self.cycle(edge)
            if cycle:
                raise ValueError(f"it would run in a circle: {' > '.join(cycle)}")
        self._link(edge, supersedes=not edge.both_ways)

    def _link(self, edge: Edge, *, supersedes: bool) -> None:
        if supersedes:
            self._superseded_by.setdefault(edge.from_, set()).add(edge.to)
        self._next.setdefault(edge.from_, []).append(edge.to)
        if edge.both_ways:
            self._next.setdefault(edge.to, []).append(edge.from_)
        self._paths.clear()

    def cycle(self, edge: Edge) -> list[str]:
        """Return the circle a one-way relation would close, [] when none.

        Only one-way relations count: two numbers that interchange both ways are no circle.
        """
        if edge.from_ == edge.to:
            return [edge.from_, edge.to]
        back = _search(self._superseded_by, edge.to)
        if edge.from_ not in back:
            return []
        return [edge.from_, *_walk(back, edge.to, edge.from_)]

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
