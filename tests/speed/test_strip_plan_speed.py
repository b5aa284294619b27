"""How long a strip plan of 40 steps and 40 parts takes; the aim is 200 ms.

    python -m pytest tests/speed/test_strip_plan_speed.py -m speed -s

Plans are made anew each time (graph, best set, order, reasons). With alternatives one step or
part in four can be reached in two ways. No figure decides a test.
"""

import random
import statistics
import time

import pytest

from donors.domain.strip_plan.graph import Part, Step, StripGraph, needs
from donors.domain.strip_plan.planning import plan

pytestmark = pytest.mark.speed
STEPS, PARTS, GRAPHS = 40, 40, 60


def machine(seed, *, alternatives):
    """A made-up machine: steps in layers, parts behind one or two steps."""
    dice = random.Random(seed)
    tasks = []

    def groups(names):
        some = dice.sample(names, min(len(names), dice.choice([0, 1, 1, 2])))
        either = alternatives and len(names) > 2 and dice.random() < 0.25
        return [(one, dice.choice(names)) if either else one for one in some]

    for number in range(STEPS):
        before = [task.name for task in tasks[max(0, number - 12) :]]
        tasks.append(Step(f"step {number}", dice.randint(1, 15), needs(*groups(before))))
    steps = [task.name for task in tasks]
    for number in range(PARTS):
        chance = dice.choice([0.4, 0.6, 0.8, 0.9])
        price, wanted = dice.randint(4, 60), dice.random() < 0.1
        minutes = dice.randint(1, 12)
        tasks.append(Part(f"part {number}", minutes, needs(*groups(steps)), price, chance, wanted))
    return tasks


@pytest.mark.parametrize("alternatives", [False, True])
@pytest.mark.parametrize("within_min", [None, 60, 120, 240])
def test_strip_plan(alternatives, within_min, capsys):
    took, worked = [], []
    for seed in range(GRAPHS):
        tasks = machine(seed, alternatives=alternatives)
        start, busy = time.perf_counter(), time.process_time()
        found = plan(StripGraph.of(tasks, rate_per_min=0.6), within_min=within_min)
        took.append((time.perf_counter() - start) * 1000)
        worked.append((time.process_time() - busy) * 1000)
        assert found.value >= 0
    took.sort()
    worked.sort()
    with capsys.disabled():
        print(
            f"\n{STEPS} steps, {PARTS} parts, alternatives {alternatives}, within {within_min}: "
            f"p50 {statistics.median(took):.0f} ms, p95 {took[int(0.95 * GRAPHS)]:.0f} ms, "
            f"slowest {took[-1]:.0f} ms of {GRAPHS}; of processor p95 "
            f"{worked[int(0.95 * GRAPHS)]:.0f} ms, most {worked[-1]:.0f} ms"
        )
