"""The measures against tables worked by hand, and against scikit-learn as a judge."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from sklearn import metrics as judge

from matching.domain import metrics
from matching.domain.metrics import YesNo

# Chances with ties, on bin edges and at both ends; scikit-learn clips its log loss elsewhere,
# so the ends are left to the tables.
chances = st.sampled_from([0.001, 0.1, 0.2, 0.3, 0.5, 0.55, 0.7, 0.9, 0.999]) | st.floats(
    0.001, 0.999
)
cases = st.lists(st.tuples(st.booleans(), chances), min_size=1, max_size=40)

PROBABILITY_MEASURES = (
    metrics.average_precision,
    metrics.brier,
    metrics.log_loss,
    metrics.expected_calibration_error,
)


def split(pairs: list[tuple[bool, float]]) -> tuple[list[bool], list[float]]:
    return [true for true, _ in pairs], [chance for _, chance in pairs]


@pytest.mark.parametrize(
    ("truths", "answers", "expected"),
    [
        # 2 right of 3 said, of 4 true
        ("110101", "110010", YesNo(2 / 3, 2 / 4, 4 / 7)),
        ("11", "11", YesNo(1.0, 1.0, 1.0)),
        ("10", "01", YesNo(0.0, 0.0, 0.0)),
        ("10", "00", YesNo(None, 0.0, 0.0)),
        ("00", "01", YesNo(0.0, None, 0.0)),
        ("00", "00", YesNo(None, None, None)),
        ("", "", YesNo(None, None, None)),
    ],
)
def test_yes_no(truths: str, answers: str, expected: YesNo) -> None:
    found = metrics.yes_no([c == "1" for c in truths], [c == "1" for c in answers])
    assert found.precision == pytest.approx(expected.precision)
    assert found.recall == pytest.approx(expected.recall)
    assert found.f1 == pytest.approx(expected.f1)


@pytest.mark.parametrize(
    ("pairs", "expected"),
    [
        # right, wrong, right: precision 1 at recall 1/2, then 2/3 at recall 1
        ([(True, 0.9), (False, 0.8), (True, 0.4)], 1 / 2 * 1 + 1 / 2 * 2 / 3),
        # all tied: one step, whatever the order
        ([(False, 0.5), (True, 0.5), (False, 0.5), (True, 0.5)], 1 / 2),
        ([(True, 0.5), (True, 0.5), (False, 0.5), (False, 0.5)], 1 / 2),
        ([(False, 0.9), (True, 0.1)], 1 / 2),
        ([(True, 0.0)], 1.0),
    ],
)
def test_average_precision(pairs: list[tuple[bool, float]], expected: float) -> None:
    assert metrics.average_precision(*split(pairs)) == pytest.approx(expected)


def test_brier() -> None:
    assert metrics.brier([True, False, True], [1.0, 0.5, 0.2]) == pytest.approx(0.89 / 3)


def test_log_loss() -> None:
    expected = -(math.log(0.8) + math.log(0.7)) / 2
    assert metrics.log_loss([True, False], [0.8, 0.3]) == pytest.approx(expected)


@pytest.mark.parametrize(("true", "chance"), [(True, 0.0), (False, 1.0)])
def test_a_wrong_certainty_costs_much_but_not_everything(true: bool, chance: float) -> None:
    assert metrics.log_loss([true], [chance]) == pytest.approx(-math.log(1e-15), abs=0.01)


@pytest.mark.parametrize(
    ("pairs", "expected"),
    [
        # bin .1-.2: mean chance .15, share 1/2; bin .9-1: mean chance .95, share 1
        ([(True, 0.12), (False, 0.18), (True, 0.92), (True, 0.98)], (2 * 0.35 + 2 * 0.05) / 4),
        # within one bin, over and under cancel out
        ([(True, 0.5), (False, 0.5)], 0.0),
        # an edge belongs to the bin above: .1 and .19 together, .09 alone
        ([(True, 0.1), (False, 0.19), (False, 0.09)], ((1 - 0.29) + 0.09) / 3),
        # 1 belongs to the last bin, with .9
        ([(True, 1.0), (False, 0.9)], 0.9 / 2),
    ],
)
def test_expected_calibration_error(pairs: list[tuple[bool, float]], expected: float) -> None:
    assert metrics.expected_calibration_error(*split(pairs)) == pytest.approx(expected)


@pytest.mark.parametrize("measure", PROBABILITY_MEASURES)
def test_no_case_has_no_measure(measure) -> None:
    assert measure([], []) is None


def test_average_precision_is_not_defined_when_nothing_is_true() -> None:
    assert metrics.average_precision([False, False], [0.2, 0.9]) is None


@pytest.mark.parametrize("measure", [metrics.yes_no, *PROBABILITY_MEASURES])
def test_every_case_needs_its_chance(measure) -> None:
    with pytest.raises(ValueError, match="zip"):
        measure([True, False], [1.0])


@given(cases)
def test_average_precision_is_scikit_learns(pairs: list[tuple[bool, float]]) -> None:
    truths, said = split(pairs)
    assume(any(truths))
    expected = judge.average_precision_score(truths, said)
    assert metrics.average_precision(truths, said) == pytest.approx(expected)


@given(cases)
def test_brier_and_log_loss_are_scikit_learns(pairs: list[tuple[bool, float]]) -> None:
    truths, said = split(pairs)
    # Its labels and classes given plainly: it cannot tell them from a list of one class.
    rows = [[1 - chance, chance] for chance in said]
    assert metrics.brier(truths, said) == pytest.approx(
        judge.brier_score_loss(truths, said, pos_label=True)
    )
    expected = judge.log_loss(truths, rows, labels=[False, True])
    assert metrics.log_loss(truths, said) == pytest.approx(expected)


@given(cases)
def test_yes_no_is_scikit_learns(pairs: list[tuple[bool, float]]) -> None:
    truths, said = split(pairs)
    answers = [chance >= 0.5 for chance in said]
    assume(any(truths) and any(answers))
    found = metrics.yes_no(truths, answers)
    assert found.precision == pytest.approx(judge.precision_score(truths, answers))
    assert found.recall == pytest.approx(judge.recall_score(truths, answers))
    assert found.f1 == pytest.approx(judge.f1_score(truths, answers))


@given(cases)
def test_calibration_error_equals_the_slow_judge(pairs: list[tuple[bool, float]]) -> None:
    total = 0.0
    for low in range(10):
        inside = [
            (t, p) for t, p in pairs if low / 10 <= p < (low + 1) / 10 or (low == 9 and p == 1)
        ]
        if inside:
            share = sum(t for t, _ in inside) / len(inside)
            chance = sum(p for _, p in inside) / len(inside)
            total += len(inside) / len(pairs) * abs(share - chance)
    assert metrics.expected_calibration_error(*split(pairs)) == pytest.approx(total, abs=1e-9)
