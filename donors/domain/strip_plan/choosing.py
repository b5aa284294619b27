"""The set of tasks that brings most: without a time limit, or within one.

Without a limit and without alternatives it is a maximum closure, found by a minimum cut (Picard,
Management Science 22 (1976); the project-selection problem). With a limit, or where one of
several ways will do, it is an integer programme. Both are exact; the tests hold them against
every subset of small graphs.
"""

from collections.abc import Set

import networkx as nx
import numpy as np
from networkx.algorithms.flow import dinitz
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from donors.domain.strip_plan.graph import Part, StripGraph
from workshop.domain.refusals import Checks

_SOURCE, _SINK = ("source",), ("sink",)  # tuples, so that no task can have their name
_UNITS = 1_000_000  # capacities are whole millionths, so that the cut is exact
# Among sets of equal value the shorter: less than a hundredth of a cent over a working day.
_TIE_PER_MIN = 1e-7


def best(graph: StripGraph, *, within_min: float | None = None) -> frozenset[str]:
    """Return the names of the best set; empty when nothing pays.

    within_min: the minutes there are, None for no limit. Raises ValueRefused when negative.
    """
    with Checks() as bad:
        bad.number("within_min", within_min, "minutes", least=0, needed=False)
    if graph.has_alternatives:
        return _needed_only(graph, by_integer_programme(graph, within_min))
    chosen = by_minimum_cut(graph)
    if within_min is not None and graph.minutes(chosen) > within_min:
        # Within the limit nothing outside the unlimited best is worth taking: what a set shares
        # with it is possible too, shorter, and worth no less (values of sets are modular).
        chosen = by_integer_programme(graph, within_min, among=chosen)
    return _needed_only(graph, chosen)


def by_minimum_cut(graph: StripGraph) -> frozenset[str]:
    """Return the smallest best set of a graph without alternatives."""
    flow = nx.DiGraph()
    flow.add_nodes_from((_SOURCE, _SINK))
    for name, task in graph.tasks.items():
        weight = round(graph.weight(name) * _UNITS)
        ends = (_SOURCE, name) if weight > 0 else (name, _SINK)
        flow.add_edge(*ends, capacity=abs(weight))
        # No capacity is an infinite one: what is chosen drags its needs along.
        flow.add_edges_from((name, one) for group in task.needs for one in group)
    if not any(round(graph.weight(name) * _UNITS) > 0 for name in graph.tasks):
        return frozenset()
    residual = dinitz(flow, _SOURCE, _SINK)
    open_edges = nx.DiGraph(
        (a, b) for a, b, edge in residual.edges(data=True) if edge["flow"] < edge["capacity"]
    )
    open_edges.add_node(_SOURCE)
    return frozenset(nx.descendants(open_edges, _SOURCE)) - {_SINK}


def by_integer_programme(
    graph: StripGraph, within_min: float | None, *, among: Set[str] | None = None
) -> frozenset[str]:
    """Return a best set; of several equally good one with the fewest minutes.

    among: only these tasks, a set that holds what its members need.
    """
    names = [name for name in graph.tasks if among is None or name in among]
    if not names:
        return frozenset()
    minutes = np.array([graph.tasks[name].minutes for name in names])
    worth = np.array([graph.weight(name) for name in names])
    rules = _access_rules(graph, names)
    if within_min is not None:
        rules.append(LinearConstraint(minutes[np.newaxis, :], -np.inf, within_min))
    answer = milp(
        -(worth - _TIE_PER_MIN * minutes),
        integrality=np.ones(len(names)),
        bounds=Bounds(0, 1),
        constraints=rules,
        options={"mip_rel_gap": 0.0},
    )
    if not answer.success:
        raise RuntimeError(f"the strip plan was not solved: {answer.message}")
    return frozenset(name for name, x in zip(names, answer.x, strict=True) if x > 0.5)


def _access_rules(graph: StripGraph, names: list[str]) -> list[LinearConstraint]:
    """Return the rule of every group of needs: no task without a way into it."""
    place = {name: number for number, name in enumerate(names)}
    groups = [(name, group) for name in names for group in graph.tasks[name].needs]
    if not groups:
        return []
    cells = [(row, place[name], 1.0) for row, (name, _) in enumerate(groups)]
    cells += [(row, place[one], -1.0) for row, (_, group) in enumerate(groups) for one in group]
    rows, columns, values = zip(*cells, strict=True)
    matrix = csr_array((values, (rows, columns)), shape=(len(groups), len(names)))
    return [LinearConstraint(matrix, -np.inf, 0)]


def _needed_only(graph: StripGraph, chosen: Set[str]) -> frozenset[str]:
    """Return the chosen parts that bring something, and of the rest only their access."""
    kept: set[str] = set()
    for name in sorted(chosen, key=lambda one: (-graph.tasks[one].worth, one)):
        task = graph.tasks[name]
        if isinstance(task, Part) and task.worth > 0:
            kept |= {name} | graph.shortest_route(name, done=kept, within=chosen)
    return frozenset(kept)
