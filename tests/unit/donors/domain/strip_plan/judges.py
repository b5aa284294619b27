"""Graphs for the tests, and the slow obvious judge: every subset."""

from itertools import combinations

from hypothesis import strategies as st

from donors.domain.strip_plan.graph import Part, Step, StripGraph, needs
from tests.unit.published import VALUES

WORKED = VALUES["strip_plan"]


def worked(**changed):
    """The worked washing machine of check-values 5.7."""
    steps = [Step(name, minutes, needs(*before)) for name, minutes, before in WORKED["access"]]
    parts = [
        Part(name, minutes, needs(*before), price, p_good, **changed.get(name, {}))
        for name, minutes, before, price, p_good in WORKED["rows"]
    ]
    return StripGraph.of([*steps, *parts], rate_per_min=WORKED["rate_per_min"])


def best_value_of_all_subsets(graph, within_min=None):
    names = list(graph.tasks)
    best = 0.0
    for size in range(1, len(names) + 1):
        for some in combinations(names, size):
            if graph.is_possible(set(some)) and (
                within_min is None or graph.minutes(some) <= within_min
            ):
                best = max(best, graph.value(some))
    return best


@st.composite
def graphs(draw, *, alternatives=False, most=9):
    """A small graph without circles: each task needs some of those before it."""
    tasks = []
    for number in range(draw(st.integers(1, most))):
        before = [task.name for task in tasks]
        groups = []
        if before:
            width = st.integers(1, 2 if alternatives else 1)
            for _ in range(draw(st.integers(0, 2))):
                size = min(draw(width), len(before))
                groups.append(
                    draw(
                        st.lists(st.sampled_from(before), min_size=size, max_size=size, unique=True)
                    )
                )
        minutes = draw(st.integers(0, 15))
        if draw(st.booleans()):
            price, p_good = draw(st.integers(0, 40)), draw(st.sampled_from([0.0, 0.25, 0.5, 1.0]))
            wanted = draw(st.booleans())
            tasks.append(Part(f"part {number}", minutes, needs(*groups), price, p_good, wanted))
        else:
            tasks.append(Step(f"step {number}", minutes, needs(*groups)))
    return StripGraph.of(tasks, rate_per_min=draw(st.sampled_from([0.0, 0.5, 1.0])))
