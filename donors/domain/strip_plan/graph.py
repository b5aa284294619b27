"""Steps and parts of one donor, and what must be done before what.

Money is in one unit throughout (the workshop's), time in minutes.
"""

from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Self

import networkx as nx

from workshop.domain.refusals import Checks, ValueRefused

Needs = tuple[frozenset[str], ...]
LONGEST_MINUTES, MOST_MONEY = 10_000.0, 1e7
MOST_ROUTES = 256  # a real machine has a handful; beyond, only the shortest are compared


@dataclass(frozen=True, slots=True)
class Step:
    """Work that only gives access. needs: every group, and of each group any one."""

    name: str
    minutes: float
    needs: Needs = ()

    @property
    def worth(self) -> float:
        return 0.0


@dataclass(frozen=True, slots=True)
class Part:
    """A part to take off. price if it is good; p_good 0..1; wanted: a job waits for it."""

    name: str
    minutes: float
    needs: Needs = ()
    price: float = 0.0
    p_good: float = 1.0
    wanted: bool = False

    @property
    def worth(self) -> float:
        return self.price * self.p_good


Task = Step | Part


def needs(*groups: str | Iterable[str]) -> Needs:
    """Return needs("lid", ("rear", "front")): the lid, and the rear or the front."""
    return tuple(frozenset([one] if isinstance(one, str) else one) for one in groups)


@dataclass(frozen=True)
class StripGraph:
    """The tasks of one donor by name. Raises ValueRefused, one sentence a task at fault:

    a name used twice, an unknown need, minutes, price or chance that cannot be, a circle.
    """

    tasks: Mapping[str, Task]
    rate_per_min: float

    @classmethod
    def of(cls, tasks: Iterable[Task], *, rate_per_min: float) -> Self:
        """rate_per_min: what a minute of work costs."""
        listed = list(tasks)
        with Checks() as bad:
            bad.number("rate_per_min", rate_per_min, "a minute", least=0, most=MOST_MONEY)
            names = [task.name for task in listed]
            for task in listed:
                if names.count(task.name) > 1:
                    bad.refuse(task.name, "this name is given twice; call one of them otherwise")
                _check(bad, task, frozenset(names))
        graph = cls({task.name: task for task in listed}, rate_per_min)
        graph._refuse_circles()
        return graph

    @property
    def parts(self) -> tuple[Part, ...]:
        return tuple(task for task in self.tasks.values() if isinstance(task, Part))

    @property
    def has_alternatives(self) -> bool:
        return any(len(group) > 1 for task in self.tasks.values() for group in task.needs)

    def weight(self, name: str) -> float:
        """Return what a task brings less its own minutes."""
        task = self.tasks[name]
        return task.worth - self.rate_per_min * task.minutes

    def minutes(self, names: Iterable[str]) -> float:
        return sum(self.tasks[name].minutes for name in names)

    def value(self, names: Iterable[str]) -> float:
        """Return what a set of tasks brings less all its minutes."""
        return sum(self.weight(name) for name in names)

    def is_possible(self, names: Set[str]) -> bool:
        """Return True when everything in the set has what it needs in the set."""
        return all(group & names for name in names for group in self.tasks[name].needs)

    def without(self, done: Set[str]) -> "StripGraph":
        """Return what is left of a donor on which some tasks are done already."""
        left = []
        for task in self.tasks.values():
            if task.name not in done:
                open_ = tuple(group for group in task.needs if not group & done)
                left.append(_with_needs(task, open_))
        return StripGraph.of(left, rate_per_min=self.rate_per_min)

    def routes(self, name: str) -> tuple[frozenset[str], ...]:
        """Return the smallest sets of tasks that give access to one, the shortest first."""
        return self._routes[name]

    def shortest_route(
        self, name: str, *, done: Set[str], within: Set[str] | None = None
    ) -> Set[str]:
        """Return the access to a task that costs fewest minutes beyond what is done.

        within: only tasks of this set may be used.
        """
        usable = [route for route in self.routes(name) if within is None or route <= within]
        return min(usable, key=lambda route: (self.minutes(route - done), sorted(route)))

    @cached_property
    def _routes(self) -> dict[str, tuple[frozenset[str], ...]]:
        found: dict[str, tuple[frozenset[str], ...]] = {}
        for name in nx.topological_sort(self._directed):
            choices = [
                [before | {one} for one in sorted(group) for before in found[one]]
                for group in self.tasks[name].needs
            ]
            found[name] = self._fewest(frozenset().union(*sets) for sets in product(*choices))
        return found

    def _fewest(self, sets: Iterable[frozenset[str]]) -> tuple[frozenset[str], ...]:
        kept: list[frozenset[str]] = []
        for one in sorted(set(sets), key=lambda s: (self.minutes(s), len(s), sorted(s))):
            if not any(other <= one for other in kept):
                kept.append(one)
        return tuple(kept[:MOST_ROUTES])

    @cached_property
    def _directed(self) -> "nx.DiGraph[str]":
        graph = nx.DiGraph()
        graph.add_nodes_from(self.tasks)
        for task in self.tasks.values():
            graph.add_edges_from((one, task.name) for group in task.needs for one in group)
        return graph

    def _refuse_circles(self) -> None:
        try:
            circle = nx.find_cycle(self._directed)
        except nx.NetworkXNoCycle:
            return
        names = [edge[0] for edge in circle]
        told = ", which needs ".join([names[0], *reversed(names)])
        raise ValueRefused({names[0]: f"runs in a circle: {told}; nothing could be first"})


def _check(bad: Checks, task: Task, names: frozenset[str]) -> None:
    if not task.name:
        bad.refuse("name", "a step or part without a name; give it one")
    bad.number(task.name, task.minutes, "minutes", least=0, most=LONGEST_MINUTES)
    if isinstance(task, Part):
        bad.number(task.name, task.price, "(price)", least=0, most=MOST_MONEY)
        bad.number(task.name, task.p_good, "(chance)", least=0, most=1)
    for group in task.needs:
        if not group:
            bad.refuse(task.name, "needs one of nothing; name what gives access")
        for unknown in sorted(group - names):
            bad.refuse(task.name, f"needs {unknown!r}, which is no step or part of this donor")


def _with_needs(task: Task, open_needs: Needs) -> Task:
    if isinstance(task, Step):
        return Step(task.name, task.minutes, open_needs)
    return Part(task.name, task.minutes, open_needs, task.price, task.p_good, task.wanted)
