"""Interchange of part numbers, against networkx on small random graphs."""

from itertools import pairwise

import networkx as nx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.interchange import Edge, InterchangeGraph

nodes = st.sampled_from("ABCDEFG")
edges = st.lists(st.builds(Edge, nodes, nodes, st.booleans()), max_size=14)


def build(edges: list[Edge]) -> tuple[InterchangeGraph, nx.DiGraph, nx.DiGraph]:
    """Return our graph, networkx's of all relations, networkx's of one-way relations.

    A relation that would close a circle of one-way relations is refused by ours, and left out
    of theirs.
    """
    ours, every, one_way = InterchangeGraph(), nx.DiGraph(), nx.DiGraph()
    for edge in edges:
        one_way.add_nodes_from([edge.from_, edge.to])
        if not edge.both_ways:
            one_way.add_edge(edge.from_, edge.to)
            circle = not nx.is_directed_acyclic_graph(one_way)
            found = ours.cycle(edge)
            assert bool(found) is circle
            if circle:
                one_way.remove_edge(edge.from_, edge.to)
                assert found[0] == found[-1] == edge.from_
                assert found[1] == edge.to
                assert all(one_way.has_edge(a, b) for a, b in pairwise(found[1:]))
                with pytest.raises(ValueError, match=" > ".join(found)):
                    ours.add(edge)
                continue
        ours.add(edge)
        every.add_edge(edge.from_, edge.to)
        if edge.both_ways:
            every.add_edge(edge.to, edge.from_)
    return ours, every, one_way


@given(edges)
def test_circles_reach_and_shortest_ways_equal_networkx(listed):
    ours, every, one_way = build(listed)
    assert nx.is_directed_acyclic_graph(one_way)
    for wanted in "ABCDEFG":
        for offered in "ABCDEFG":
            path = ours.path(wanted, offered)
            reachable = wanted == offered or (
                wanted in every and offered in every and nx.has_path(every, wanted, offered)
            )
            assert bool(path) is reachable
            assert ours.serves(offered, wanted) is reachable
            if reachable and wanted != offered:
                assert path[0] == wanted
                assert path[-1] == offered
                assert all(every.has_edge(a, b) for a, b in pairwise(path))
                assert len(path) - 1 == nx.shortest_path_length(every, wanted, offered)


@given(edges, st.builds(Edge, nodes, nodes, st.just(True)))
def test_ways_asked_for_before_are_found_anew_after_a_relation_is_added(listed, more):
    ours, _, _ = build(listed)
    for wanted in "ABCDEFG":
        ours.path(wanted, more.to)
    ours.add(more)
    assert ours.serves(more.to, more.from_)
    assert ours.serves(more.from_, more.to)


def test_a_supersession_runs_one_way():
    graph = InterchangeGraph.of([Edge("OLD", "NEW")])
    assert graph.path("OLD", "NEW") == ["OLD", "NEW"]
    assert graph.path("NEW", "OLD") == []
    assert graph.serves("NEW", "OLD")  # the new one goes in where the old one is asked for
    assert not graph.serves("OLD", "NEW")


def test_an_interchange_runs_both_ways_and_is_no_circle():
    graph = InterchangeGraph.of([Edge("A", "B", True), Edge("B", "C", True), Edge("C", "A", True)])
    assert graph.path("A", "C") == ["A", "C"]
    assert graph.path("C", "A") == ["C", "A"]


@pytest.mark.parametrize(
    ("edge", "circle"),
    [
        (Edge("C", "A"), ["C", "A", "B", "C"]),
        (Edge("B", "A"), ["B", "A", "B"]),
        (Edge("A", "A"), ["A", "A"]),
        (Edge("A", "C"), []),
        (Edge("D", "A"), []),
    ],
)
def test_circles_are_named(edge, circle):
    graph = InterchangeGraph.of([Edge("A", "B"), Edge("B", "C")])
    assert graph.cycle(edge) == circle


def test_a_refused_relation_leaves_nothing_behind():
    graph = InterchangeGraph.of([Edge("A", "B"), Edge("B", "C")])
    with pytest.raises(ValueError, match="circle: C > A > B > C"):
        graph.add(Edge("C", "A"))
    assert not graph.serves("A", "C")


@pytest.mark.parametrize(
    ("wanted", "offered", "path"),
    [
        ("", "", []),
        ("", "A", []),
        ("A", "", []),
        ("A", "A", ["A"]),
        ("Z", "Z", ["Z"]),
        ("Z", "A", []),
        ("A", "Z", []),
    ],
)
def test_unknown_numbers(wanted, offered, path):
    """An unknown number stands in for nothing, not even for another unknown one."""
    assert InterchangeGraph.of([Edge("A", "B")]).path(wanted, offered) == path
