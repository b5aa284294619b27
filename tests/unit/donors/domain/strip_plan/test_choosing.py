"""The best set. Judges: every subset, a published example, the worked plan, each other."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.strip_plan import choosing
from donors.domain.strip_plan.graph import Part, Step, StripGraph, needs
from tests.unit.donors.domain.strip_plan.judges import (
    WORKED,
    best_value_of_all_subsets,
    graphs,
    worked,
)
from tests.unit.published import VALUES, rows
from workshop.domain.refusals import ValueRefused

limits = st.none() | st.integers(0, 60)


def test_the_published_project_selection():
    """An encyclopaedia's example, from memory [M], recomputed with networkx: profit 200."""
    block = VALUES["project_selection"]
    tasks = [
        Part(name, 0, needs(*before), price=weight)
        if weight > 0
        else Step(name, -weight, needs(*before))
        for name, weight, before in rows("project_selection")
    ]
    graph = StripGraph.of(tasks, rate_per_min=1)
    for chosen in (
        choosing.by_minimum_cut(graph),
        choosing.by_integer_programme(graph, None),
        choosing.best(graph),
    ):
        assert graph.value(chosen) == pytest.approx(block["profit"])
        assert chosen - set(block["chosen"]) <= {"p1", "q1"}
    assert choosing.best(graph) == set(block["chosen"])


def test_the_worked_plan():
    """check-values 5.7: 96.30 in 47 minutes; front, door lock and dampers stay."""
    graph = worked()
    chosen = choosing.best(graph)
    assert graph.value(chosen) == pytest.approx(WORKED["best_value"], abs=5e-3)
    assert graph.minutes(chosen) == WORKED["minutes"]
    assert set(graph.tasks) - chosen == set(WORKED["left"])


@given(graphs())
def test_minimum_cut_equals_every_subset(graph):
    chosen = choosing.by_minimum_cut(graph)
    assert graph.is_possible(chosen)
    assert graph.value(chosen) == pytest.approx(best_value_of_all_subsets(graph), abs=1e-6)


@given(graphs(alternatives=True), limits)
def test_within_minutes_and_by_either_way_equals_every_subset(graph, within_min):
    chosen = choosing.best(graph, within_min=within_min)
    assert graph.is_possible(chosen)
    assert within_min is None or graph.minutes(chosen) <= within_min
    expected = best_value_of_all_subsets(graph, within_min)
    assert graph.value(chosen) == pytest.approx(expected, abs=1e-4)


@given(graphs(), st.integers(0, 60))
def test_within_minutes_equals_every_subset(graph, within_min):
    chosen = choosing.best(graph, within_min=within_min)
    assert graph.is_possible(chosen)
    assert graph.minutes(chosen) <= within_min
    expected = best_value_of_all_subsets(graph, within_min)
    assert graph.value(chosen) == pytest.approx(expected, abs=1e-4)


@given(graphs(most=30), st.integers(0, 120))
def test_looking_only_among_the_unlimited_best_loses_nothing(graph, within_min):
    everywhere = choosing.by_integer_programme(graph, within_min)
    found = choosing.best(graph, within_min=within_min)
    assert graph.value(found) == pytest.approx(graph.value(everywhere), abs=1e-4)


@given(graphs(most=30))
def test_cut_and_programme_agree_on_larger_graphs(graph):
    by_cut = choosing.by_minimum_cut(graph)
    by_programme = choosing.by_integer_programme(graph, None)
    assert graph.value(by_cut) == pytest.approx(graph.value(by_programme), abs=1e-3)


@given(graphs(alternatives=True), st.integers(0, 60), st.integers(0, 60))
def test_more_minutes_never_bring_less(graph, one, other):
    few, many = sorted((one, other))
    values = [graph.value(choosing.best(graph, within_min=m)) for m in (few, many)]
    assert values[0] <= values[1] + 1e-4
    assert values[1] <= graph.value(choosing.best(graph)) + 1e-4


@given(graphs(alternatives=True), limits)
def test_nothing_is_taken_that_brings_nothing(graph, within_min):
    """Every chosen step leads to a chosen part that brings something."""
    chosen = choosing.best(graph, within_min=within_min)
    led_to = set()
    for name in chosen:
        if graph.tasks[name].worth > 0:
            led_to |= {name} | set(graph.shortest_route(name, done=chosen, within=chosen))
    assert led_to <= chosen
    assert all(
        any(name in route for part in chosen for route in graph.routes(part))
        for name in chosen
        if graph.tasks[name].worth == 0
    )


def test_either_way_takes_the_cheaper_one_for_all():
    """One way is cheaper for each of two parts alone, the other for both together."""
    graph = StripGraph.of(
        [
            Step("left", 4),
            Step("right", 4),
            Step("both sides", 6),
            Part("pump", 1, needs(("left", "both sides")), price=30),
            Part("valve", 1, needs(("right", "both sides")), price=30),
        ],
        rate_per_min=1,
    )
    assert choosing.best(graph) == {"both sides", "pump", "valve"}
    assert choosing.best(graph, within_min=5) in ({"left", "pump"}, {"right", "valve"})


def test_nothing_pays_and_nothing_there():
    poor = StripGraph.of([Step("lid", 5), Part("knob", 1, needs("lid"), price=1)], rate_per_min=1)
    assert choosing.best(poor) == frozenset()
    assert choosing.best(StripGraph.of([], rate_per_min=1), within_min=10) == frozenset()


@pytest.mark.parametrize("within_min", [-1, math.nan, math.inf])
def test_a_time_limit_that_is_none(within_min):
    with pytest.raises(ValueRefused) as refused:
        choosing.best(worked(), within_min=within_min)
    assert list(refused.value.fields) == ["within_min"]
