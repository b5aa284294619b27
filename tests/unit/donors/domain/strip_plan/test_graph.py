"""Bad graphs are refused by name; routes are the smallest ways in."""

import math
from itertools import combinations

import pytest
from hypothesis import given

from donors.domain.strip_plan.graph import Part, Step, StripGraph, needs
from tests.unit.donors.domain.strip_plan.judges import graphs, worked
from workshop.domain.refusals import ValueRefused


@pytest.mark.parametrize(
    ("tasks", "field", "says"),
    [
        ([Step("lid", -1)], "lid", "negative"),
        ([Step("lid", math.nan)], "lid", "finite"),
        ([Step("lid", 1), Step("lid", 2)], "lid", "given twice"),
        ([Part("pump", 1, needs("base"))], "pump", "needs 'base', which is no step"),
        ([Part("pump", 1, needs(()))], "pump", "one of nothing"),
        ([Part("pump", 1, price=-5)], "pump", "negative"),
        ([Part("pump", 1, price=5, p_good=1.2)], "pump", "above 1"),
        ([Step("", 1)], "name", "without a name"),
    ],
)
def test_what_cannot_be_is_refused_by_name(tasks, field, says):
    with pytest.raises(ValueRefused) as refused:
        StripGraph.of(tasks, rate_per_min=1)
    assert says in refused.value.fields[field]


def test_a_bad_rate():
    with pytest.raises(ValueRefused) as refused:
        StripGraph.of([], rate_per_min=-1)
    assert list(refused.value.fields) == ["rate_per_min"]


def test_a_circle_is_told():
    tasks = [
        Step("lid", 1, needs("rear")),
        Step("rear", 1, needs(("lid", "base"))),
        Step("base", 1),
    ]
    with pytest.raises(ValueRefused) as refused:
        StripGraph.of(tasks, rate_per_min=1)
    (sentence,) = refused.value.fields.values()
    assert sentence in {
        "runs in a circle: lid, which needs rear, which needs lid; nothing could be first",
        "runs in a circle: rear, which needs lid, which needs rear; nothing could be first",
    }


def test_routes_of_the_worked_machine():
    assert worked().routes("door lock") == (frozenset({"lid", "fascia", "front"}),)
    assert worked().routes("lid") == (frozenset(),)


@given(graphs(alternatives=True))
def test_routes_are_the_smallest_sets_that_give_access(graph):
    """Judge: every set of other tasks, kept when it is possible with the task, and minimal."""
    name = list(graph.tasks)[-1]
    others = [one for one in graph.tasks if one != name]
    enough = [
        frozenset(some)
        for size in range(len(others) + 1)
        for some in combinations(others, size)
        if graph.is_possible({*some, name})
    ]
    smallest = {one for one in enough if not any(other < one for other in enough)}
    assert set(graph.routes(name)) == smallest


def test_what_is_done_already_costs_nothing_more():
    left = worked().without({"lid", "fascia", "board"})
    assert left.routes("display") == (frozenset(),)
    assert left.routes("door lock") == (frozenset({"front"}),)
    assert "board" not in left.tasks
