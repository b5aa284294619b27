"""By how much a machine helps a job. Judge: every way each need may turn out, summed."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matching.domain.gain import Chances, gain

chance = st.floats(0, 1)
some_needs = st.lists(st.builds(Chances, by=chance, anyhow=chance), min_size=1, max_size=4)


def by_every_case(needs: list[Chances]) -> float:
    """Sum the chance of all cases in which the machine makes the difference."""
    total = 0.0
    for case in product((True, False), repeat=2 * len(needs)):
        by, anyhow = case[::2], case[1::2]
        if all(anyhow) or not all(b or a for b, a in zip(by, anyhow, strict=True)):
            continue
        p = 1.0
        for one, b, a in zip(needs, by, anyhow, strict=True):
            p *= (one.by if b else 1 - one.by) * (one.anyhow if a else 1 - one.anyhow)
        total += p
    return total


@given(some_needs)
def test_it_is_the_chance_of_all_cases_where_the_machine_decides(needs: list[Chances]) -> None:
    assert gain(needs) == pytest.approx(by_every_case(needs), abs=1e-9)


@given(some_needs)
def test_a_machine_that_serves_nothing_brings_nothing(needs: list[Chances]) -> None:
    assert gain([Chances(0.0, one.anyhow) for one in needs]) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("needs", "expected"),
    [
        # By hand. One need, nothing else: its own chance; with a part that works in nine of ten
        # cases, a tenth of it.
        ([Chances(0.8, 0.0)], 0.8),
        ([Chances(0.8, 0.9)], 0.08),
        # Two needs, one of them for nobody: the job is not completed.
        ([Chances(0.8, 0.0), Chances(0.0, 0.0)], 0.0),
        ([Chances(0.8, 0.0), Chances(0.0, 0.9)], 0.72),
        ([Chances(0.8, 0.0), Chances(0.5, 0.0)], 0.4),
        ([], 0.0),
    ],
)
def test_worked_by_hand(needs: list[Chances], expected: float) -> None:
    assert gain(needs) == pytest.approx(expected)
