"""The graph of one donor from steps and pieces: builds, what is done, what is out."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.strip_plan.assembling import Piece, Work, assemble
from donors.domain.strip_plan.graph import needs
from donors.domain.strip_plan.planning import plan
from tests.unit.donors.domain.strip_plan.judges import WORKED, best_value_of_all_subsets
from tests.unit.published import VALUES


def piece(name, *ways, **more):
    return Piece(name, frozenset(ways), **{"price": 30, **more})


WASHER = [
    Work("lid off", 3),
    Work("rear off", 3),
    Work("lay down", 4),
    Work("belt off", 1, needs("rear off")),
    Work("board out on top", 4, needs("lid off")),
    Work("board out below", 6, needs("lay down")),
    Work("motor out", 8, needs("belt off", ("rear off", "lay down"))),
    Work("heater out", 5, needs(("rear off", "lay down"))),
    Work("rotor out", 2, needs("rear off"), rare=True),
]
PIECES = [
    piece("Board", "board out on top", "board out below"),
    piece("Belt", "belt off", price=0),
    piece("Motor", "motor out", "rotor out"),
    piece("Heater", "heater out"),
    piece("Sensor", "heater out"),
]


def built(pieces=PIECES, **more):
    return assemble(WASHER, pieces, rate_per_min=0.6, **more)


def swapped(name, **more):
    from dataclasses import replace

    return [replace(one, **more) if one.name == name else one for one in PIECES]


def test_a_step_of_one_piece_is_its_task_and_one_of_several_stands_before_them():
    graph = built().graph
    assert graph.tasks["motor out"].worth == 30
    assert graph.tasks["heater out"].worth == 0
    assert graph.tasks["Heater"].minutes == graph.tasks["Sensor"].minutes == 0
    assert graph.tasks["Board"].needs == needs(("board out on top", "board out below"))
    assert built().pieces["motor out"] == ("Motor",)


def test_the_shorter_way_is_planned_and_the_other_one_once_the_first_is_not_there():
    names = {line.name for line in plan(built().graph).lines}
    assert {"lid off", "board out on top", "Board"} <= names
    below = {line.name for line in plan(built(absent={"board out on top"}).graph).lines}
    assert {"lay down", "board out below"} <= below  # the only way now: the board's own task
    assert "lid off" not in below


def test_a_rare_way_is_used_only_where_no_usual_one_is_left():
    assert {line.name for line in plan(built().graph).lines} >= {"belt off", "motor out"}
    found = plan(built(absent={"belt off"}).graph)
    assert {"rotor out"} <= {line.name for line in found.lines}


def test_a_piece_no_way_leads_to_is_stuck_not_lost():
    found = built(absent={"rear off", "lay down"})
    assert set(found.stuck) == {"Belt", "Motor", "Heater", "Sensor"}
    assert {line.name for line in plan(found.graph).lines} == {"lid off", "board out on top"}


def test_what_is_out_says_what_must_have_been_done():
    found = built(swapped("Motor", out=True), absent={"rotor out"})
    assert found.inferred == {"rear off", "belt off", "motor out"}
    assert found.loose == ("Belt",)
    assert found.graph.tasks["heater out"].needs == ()


def test_a_piece_with_two_ways_says_nothing_of_either():
    assert built(swapped("Board", out=True)).done == frozenset()


def test_a_step_done_says_what_stood_before_it():
    found = built(done={"motor out"})
    assert found.done == {"motor out", "belt off", "rear off"}
    assert found.inferred == {"belt off", "rear off"}


def test_a_piece_left_behind_by_its_step_costs_nothing_more():
    found = built(done={"heater out"})
    assert set(found.loose) == {"Heater", "Sensor"}
    assert found.graph.tasks["Heater"].needs == ()


def test_the_worked_plan_comes_out_the_same():
    """check-values 5.7: best value 96.30 in 47 minutes; leaves front, door lock, dampers."""
    works = [Work(name, minutes, needs(*before)) for name, minutes, before in WORKED["access"]]
    pieces = []
    for name, minutes, before, price, p_good in WORKED["rows"]:
        works.append(Work(f"{name} out", minutes, needs(*before)))
        pieces.append(piece(name, f"{name} out", price=price, p_good=p_good))
    found = assemble(works, pieces, rate_per_min=WORKED["rate_per_min"])
    best = plan(found.graph)
    assert best.value == pytest.approx(VALUES["strip_plan"]["best_value"], abs=5e-3)
    assert best.minutes == VALUES["strip_plan"]["minutes"]
    assert {one.name for one in best.left} == {"door lock out", "dampers out"}


@st.composite
def machines(draw):
    works, pieces = [], []
    for number in range(draw(st.integers(1, 5))):
        before = [work.name for work in works]
        groups = (
            [draw(st.sets(st.sampled_from(before), min_size=1, max_size=2))]
            if before and draw(st.booleans())
            else []
        )
        works.append(Work(f"s{number}", draw(st.integers(0, 9)), needs(*groups)))
    names = [work.name for work in works]
    for number in range(draw(st.integers(1, 4))):
        ways = draw(st.sets(st.sampled_from(names), min_size=1, max_size=2))
        pieces.append(piece(f"p{number}", *ways, price=draw(st.integers(0, 30))))
    absent = draw(st.sets(st.sampled_from(names), max_size=1))
    return works, pieces, absent


@given(machines(), st.none() | st.integers(0, 25))
def test_the_plan_is_the_best_of_all_subsets_of_steps(machine, within_min):
    """The judge knows nothing of tasks: it tries every set of steps and counts what comes out."""
    works, pieces, absent = machine
    found = assemble(works, pieces, absent=absent, rate_per_min=1.0)
    got = plan(found.graph, within_min=within_min).value
    assert got == pytest.approx(best_of_steps(works, pieces, absent, within_min))
    assert got == pytest.approx(best_value_of_all_subsets(found.graph, within_min))


def best_of_steps(works, pieces, absent, within_min):
    best = 0.0
    for mask in range(2 ** len(works)):
        chosen = [work for bit, work in enumerate(works) if mask >> bit & 1]
        names = {work.name for work in chosen}
        minutes = sum(work.minutes for work in chosen)
        possible = not names & absent and all(g & names for w in chosen for g in w.needs)
        if possible and (within_min is None or minutes <= within_min):
            gained = sum(one.price for one in pieces if one.ways & names)
            best = max(best, gained - minutes)
    return best


OVEN = [
    Work("cover off", 3),
    Work("proved dead", 3, needs("cover off"), on_record=True),
    Work("magnetron out", 4, needs("proved dead")),
    Work("capacitor and diode out", 3, needs("proved dead")),
    Work("tray out", 1),
]
OVEN_PIECES = [
    piece("Magnetron", "magnetron out", out=True),
    piece("Capacitor", "capacitor and diode out"),
    piece("Diode", "capacitor and diode out", out=True),
]


def test_what_keeps_people_safe_is_never_taken_as_done():
    """Practice 5.5: a capacitor is dead once it was measured, not once something is out."""
    found = assemble(OVEN, OVEN_PIECES, rate_per_min=0.6)
    assert found.inferred == {"cover off"}
    assert found.loose == ()
    assert found.graph.tasks["capacitor and diode out"].needs == needs("proved dead")
    assert "proved dead" in {line.name for line in plan(found.graph).lines}


def test_once_it_is_on_record_the_rest_is_taken_as_done():
    found = assemble(OVEN, OVEN_PIECES, done={"proved dead"}, rate_per_min=0.6)
    assert found.done == {"cover off", "proved dead", "magnetron out", "capacitor and diode out"}
    assert found.loose == ("Capacitor",)
