"""Interchange of part numbers, against networkx (networkx.org) on small random graphs."""

from itertools import pairwise

import networkx as nx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.interchange import Edge, InterchangeGraph

NUMBERS = "ABCDEFG"
nodes = st.sampled_from(NUMBERS)
edges = st.lists(st.builds(Edge, nodes, nodes, st.booleans()), max_size=14)


def of_networkx(edges: list[Edge]) -> nx.DiGraph:
    graph = nx.DiGraph()
    graph.add_nodes_from(NUMBERS)
    for edge in edges:
        graph.add_edge(edge.from_, edge.to)
        if edge.both_ways:
            graph.add_edge(edge.to, edge.from_)
    return graph


def contradicted(edges: list[Edge]) -> bool:
    """Return whether some one-way relation lies inside a strongly connected component.

    Inside one, whatever the one way denies can be read off the other relations.
    """
    home = {
        number: index
        for index, group in enumerate(nx.strongly_connected_components(of_networkx(edges)))
        for number in group
    }
    return any(home[e.from_] == home[e.to] for e in edges if not e.both_ways)


def build(edges: list[Edge]) -> tuple[InterchangeGraph, list[Edge]]:
    """Return our graph and the relations it took: those that contradict are refused."""
    ours, taken = InterchangeGraph(), []
    for edge in edges:
        circle = ours.contradiction(edge)
        bad = edge.from_ == edge.to or contradicted([*taken, edge])
        assert bool(circle) is bad
        if not bad:
            ours.add(edge)
            taken.append(edge)
            continue
        with pytest.raises(ValueError, match="circle"):
            ours.add(edge)
        check_circle(circle, edge, taken)
    return ours, taken


def check_circle(circle: list[str], edge: Edge, taken: list[Edge]) -> None:
    """A named circle closes, uses relations that are there, the new one, and a one-way step."""
    assert circle[0] == circle[-1]
    steps = set(pairwise(circle))
    if edge.from_ == edge.to:
        return
    there = set(of_networkx([*taken, edge]).edges)
    new = {(edge.from_, edge.to)} | ({(edge.to, edge.from_)} if edge.both_ways else set())
    assert steps <= there
    assert steps & new
    assert steps & {(e.from_, e.to) for e in [*taken, edge] if not e.both_ways}


@given(edges)
def test_contradictions_reach_and_shortest_ways_equal_networkx(listed):
    ours, taken = build(listed)
    theirs = of_networkx(taken)
    lengths = dict(nx.all_pairs_shortest_path_length(theirs))
    for wanted in NUMBERS:
        for offered in NUMBERS:
            path = ours.path(wanted, offered)
            assert bool(path) is (offered in lengths[wanted])
            assert ours.serves(offered, wanted) is bool(path)
            if path:
                assert (path[0], path[-1]) == (wanted, offered)
                assert len(path) - 1 == lengths[wanted][offered]
                assert all(theirs.has_edge(a, b) for a, b in pairwise(path))


@given(edges)
def test_the_order_of_telling_does_not_decide_whether_all_agree(listed):
    listed = [edge for edge in listed if edge.from_ != edge.to]
    for order in (listed, listed[::-1]):
        refused = False
        graph = InterchangeGraph()
        for edge in order:
            refused = refused or bool(graph.contradiction(edge))
            if not graph.contradiction(edge):
                graph.add(edge)
        assert refused is contradicted(listed)


@given(edges, st.builds(Edge, nodes, nodes, st.just(True)))
def test_ways_asked_for_before_are_found_anew_after_a_relation_is_added(listed, more):
    ours, _ = build(listed)
    for wanted in NUMBERS:
        ours.path(wanted, more.to)
    if ours.contradiction(more):
        return
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
    graph = InterchangeGraph()
    for edge in (Edge("A", "B", True), Edge("B", "C", True), Edge("C", "A", True)):
        graph.add(edge)
    assert graph.path("A", "C") == ["A", "C"]
    assert graph.path("C", "A") == ["C", "A"]


@pytest.mark.parametrize(
    ("known", "edge", "told"),
    [
        (["A>B", "B>C"], Edge("C", "A"), "C > A > B > C"),
        (["A>B", "B>C"], Edge("B", "A"), "B > A > B"),
        (["A>B", "B>C"], Edge("A", "A"), "A > A"),
        (["A>B", "B>C"], Edge("A", "C"), ""),
        (["A>B", "B>C"], Edge("D", "A"), ""),
        (["A<>B"], Edge("A", "B"), "A > B <> A"),
        (["A<>B"], Edge("B", "A"), "B > A <> B"),
        (["A>B"], Edge("A", "B", True), "B <> A > B"),
        (["A>B"], Edge("B", "A", True), "B <> A > B"),
        (["A<>B"], Edge("B", "A", True), ""),
        (["A<>B", "B>C"], Edge("C", "A", True), "C <> A <> B > C"),
        (["A>B", "B<>C"], Edge("C", "A"), "C > A > B <> C"),
    ],
)
def test_circles_are_named(known, edge, told):
    graph = InterchangeGraph()
    for one in known:
        ends = one.replace("<>", ">").split(">")
        graph.add(Edge(*ends, "<>" in one))
    circle = graph.contradiction(edge)
    assert (graph.told(circle, edge) if circle else "") == told


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
