"""Brushes: a spares shop wants more than 10 mm; 15 mm is our own choice (common practice)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.bench import brush
from parts.domain.bench.verdicts import OPEN, Outcome
from tests.unit.parts.domain.bench.limits import LIMITS
from workshop.domain.refusals import ValueRefused

ORDER = [Outcome.FAIL, Outcome.DOUBTFUL, Outcome.PASS]


@pytest.mark.parametrize(
    ("lengths", "outcome"),
    [
        ((35, 35), Outcome.PASS),
        ((35, 15), Outcome.DOUBTFUL),
        ((35, 10.1), Outcome.DOUBTFUL),
        ((35, 10), Outcome.FAIL),
        ((0, None), Outcome.FAIL),
        ((35, None), Outcome.NOT_MEASURED),
    ],
)
def test_the_shorter_decides(lengths, outcome):
    assert brush.judge_lengths(lengths, limits=LIMITS).outcome is outcome


def test_the_verdict_names_the_shortest():
    assert brush.judge_lengths((35, 12, 14), limits=LIMITS).measured == 12


@given(st.floats(0, 80), st.floats(0, 80))
def test_a_longer_brush_is_never_worse(one, other):
    short, long = sorted((one, other))
    found = [brush.judge_lengths([length], limits=LIMITS).outcome for length in (short, long)]
    assert ORDER.index(found[0]) <= ORDER.index(found[1])


@pytest.mark.parametrize("lengths", [(), (-1,), (300,), (float("nan"),), (OPEN,)])
def test_what_is_no_length_is_refused(lengths):
    with pytest.raises(ValueRefused):
        brush.judge_lengths(lengths, limits=LIMITS)
