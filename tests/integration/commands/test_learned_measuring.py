"""measure_fits learns from the history and from nothing else, and little from little."""

from dataclasses import replace
from pathlib import Path

import pytest

from matching import gather, measuring
from matching.domain.scoring import Score
from matching.learning import LIKELY_LEAST, LIKELY_RANGE, SURE, Taught, likely_limit, slips
from matching.models import Outcome
from tests.speed.other_world import Lay, write_other_world

pytestmark = pytest.mark.any_engine  # made from files alone
BY_HAND = 0.65


@pytest.fixture(scope="module")
def material(tmp_path_factory: pytest.TempPathFactory) -> measuring.Material:
    folder: Path = tmp_path_factory.mktemp("world")
    write_other_world(Lay(seed=77, outcomes=160, cases=40, families=2), folder)
    files = {one: folder / f"{one}.csv" for one in ("models", "makes", "interchange")}
    return measuring.read_material(folder / "cases.csv", history=folder / "outcomes.csv", **files)


@pytest.fixture(scope="module")
def taught(material: measuring.Material) -> Taught:
    """What this history teaches: worked out once, it takes seconds."""
    return material.taught(gather.weights())


@pytest.mark.parametrize("count", [0, 1, 10, 99])
def test_few_outcomes_change_no_weight(material: measuring.Material, count: int) -> None:
    few = replace(material, history=material.history[:count])
    weights, taught = measuring.weights_for(few, gather.weights())
    assert weights is gather.weights()
    assert taught.outcomes == count


def test_the_cases_are_never_looked_at(material: measuring.Material, taught: Taught) -> None:
    """Other answers, and other cases of the same kinds: the same lesson to the last digit."""
    shuffled = replace(material, cases=list(material.cases)[::-1][:20])
    assert taught == shuffled.taught(gather.weights())


def test_each_outcome_is_scored_without_itself(
    material: measuring.Material, taught: Taught
) -> None:
    """Turning one note round changes the scores of others, not its own.

    By learned weights it may touch its own by a hair: see matching/learning.py.
    """
    first, *others = material.history
    turned = Outcome(**{f.attname: getattr(first, f.attname) for f in Outcome._meta.fields})
    fitted = first.result == Outcome.Result.WORKED
    turned.result = Outcome.Result.DID_NOT_FIT if fitted else Outcome.Result.WORKED

    def scores(lesson: Taught) -> list[Score]:
        return [score for _, score in lesson.plain + lesson.final]

    other = replace(material, history=[turned, *others]).taught(gather.weights())
    before, after = scores(taught), scores(other)
    count = len(material.history)
    assert before[0] == after[0]
    assert before[count].bits == pytest.approx(after[count].bits, abs=0.05)
    assert before[1:count] != after[1:count] or before[count + 1 :] != after[count + 1 :]


def test_rows_add_up_with_learned_weights(material: measuring.Material, taught: Taught) -> None:
    for found in measuring.score_all(material, taught.weights):
        total = 0.0
        for row in found.rows:
            total += row.bits
        assert found.bits == total
        assert found.stopped or "calibration" in [row.evidence for row in found.rows]


def test_slips_are_seen_where_the_numbers_leave_no_doubt(taught: Taught) -> None:
    sure = [
        (outcome, found)
        for outcome, found in taught.final
        if found.p_fit >= SURE and found.rows[1].level in {"same", "interchange"}
    ]
    wrong = sum(outcome.result == "did-not-fit" for outcome, _ in sure)
    assert len(sure) > 20
    assert slips(taught.final) == pytest.approx((wrong + 1.0) / (len(sure) + 100.0))
    assert slips([]) == pytest.approx(0.01)


def limit(cases: list[tuple[float, bool]], slip: float = 0.01) -> float:
    return likely_limit(cases, by_hand=BY_HAND, slip=slip)


def test_the_limit_of_likely_is_where_nine_in_ten_fit() -> None:
    sure = [(0.97, True)] * 500
    assert limit(sure) == LIKELY_RANGE[0]
    mixed = [(0.6, n % 2 == 0) for n in range(500)] + [(0.95, n % 20 != 0) for n in range(1500)]
    assert limit(mixed) == pytest.approx(0.61)
    # With three slips in a hundred, what was noted right in .87 fits in .89.
    noted = [(0.92, n % 100 >= 13) for n in range(5000)]
    assert limit(noted, slip=0.0) == LIKELY_RANGE[-1]
    assert limit(noted, slip=0.03) == LIKELY_RANGE[0]
    # What lies barely above nine in ten has to be seen often enough.
    barely = [(0.903, n % 10 != 0) for n in range(400)]
    assert limit(barely, slip=0.0) == LIKELY_RANGE[-1]
    assert limit(barely * 100, slip=0.0) == LIKELY_RANGE[0]
    assert limit([(0.9, False)] * 500) == LIKELY_RANGE[-1]


def test_the_limit_set_by_hand_stands_where_too_few_speak() -> None:
    assert limit([]) == BY_HAND
    assert limit([(0.5, False)] * 500) == BY_HAND  # all lie below every limit
    assert limit([(0.57, False)] * 300) == BY_HAND  # nothing is known above .57
    assert limit([(0.97, True)] * (LIKELY_LEAST - 1)) == BY_HAND
    assert limit([(0.97, True)] * LIKELY_LEAST) == LIKELY_RANGE[0]
    # Seen not to do at .66: the limit set by hand is too low.
    assert limit([(0.57, False)] * 300 + [(0.66, False)] * 60) == pytest.approx(0.67)
