import pytest

from donors.domain.survival import belief
from parts.domain.condition import TESTED, from_grade, untested


@pytest.mark.parametrize(
    ("grade", "tested_on", "p_good", "because"),
    [
        ("tested-good", "2026-03-31", 0.95, "tested good on 2026-03-31"),
        ("tested-good", "", 0.95, "tested good"),
        ("tested-worn", "2026-03-31", 0.85, "tested worn on 2026-03-31"),
        ("scrap", "2026-03-31", 0.0, "graded scrap"),
    ],
)
def test_a_grade_states_the_condition(grade, tested_on, p_good, because):
    """The two figures are common practice, a guess until the workshop's own returns say."""
    found = from_grade(grade, tested_on)
    assert found is not None
    assert (found.p_good, found.because) == (p_good, because)


@pytest.mark.parametrize("grade", ["untested", "", "good"])
def test_other_grades_state_nothing(grade):
    assert from_grade(grade, "2026-03-31") is None


def test_a_worn_part_promises_less_than_a_good_one():
    assert 0 < TESTED["tested-worn"] < TESTED["tested-good"] < 1


@pytest.mark.parametrize(
    ("cause", "age", "own", "because"),
    [
        (
            "Bearing or drum",
            9.6,
            (0, 0),
            "untested; machine scrapped for: bearing or drum; about 10 years old; "
            "guide value 62 %, weighing 8 tests; none of our own tested yet",
        ),
        (
            "",
            None,
            (3, 1),
            "untested; cause of scrapping unknown; age unknown; "
            "guide value 62 %, weighing 8 tests; own parts: 3 of 4 good",
        ),
    ],
)
def test_an_untested_part_says_what_its_odds_rest_on(cause, age, own, because):
    passed, failed = own
    held = belief(62, passed=passed, failed=failed)
    found = untested(held, percent=62, cause=cause, age_years=age)
    assert (found.p_good, found.because) == (pytest.approx(held.mean), because)
    assert found.belief == held
