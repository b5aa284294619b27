"""What the sum of the evidence is off by: learned as a library would, and only ever a little."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from matching.domain.correcting import SPREAD, WRONG, Scored, correction, features, fit
from matching.domain.odds import to_p
from matching.domain.scoring import score
from matching.domain.sides import Row
from tests.unit.matching import strategies
from tests.unit.matching.building import WEIGHTS, kind, knowledge


def row(evidence: str, level: str, bits: float) -> Row:
    return Row(evidence, level, bits, "", "", "")


def scored(count: int, seed: int = 1, twice: bool = False) -> list[Scored]:
    """Return fittings whose true odds are the sum of two rows; `twice`: the second repeats it."""
    rng, found = random.Random(seed), []
    for _ in range(count):
        first, second = rng.gauss(0, 2), rng.gauss(0, 2)
        truth = first if twice else first + second
        rows = (
            row("model", "same" if first > 0 else "other-make", first),
            row("sightings", "same", first if twice else second),
        )
        found.append(Scored("drain-pump", rows, rng.random() < to_p(truth)))
    return found


def test_the_same_as_an_independent_optimiser():
    """The penalised likelihood written out plainly, given to scipy.optimize.minimize."""
    seen = scored(300, twice=True)
    looked = [features(one.kind, one.rows) for one in seen]
    names = sorted({name for one in looked for name in one})
    spreads = [SPREAD[name.partition("/")[0]] for name in names]

    def loss(at: np.ndarray) -> float:
        total = sum((x / s) ** 2 / 2 for x, s in zip(at, spreads, strict=True))
        for one, found in zip(seen, looked, strict=True):
            bits = sum(r.bits for r in one.rows)
            bits += sum(x * found.get(name, 0.0) for x, name in zip(at, names, strict=True))
            q = WRONG + (1 - 2 * WRONG) * to_p(bits)
            total -= math.log(q if one.fitted else 1 - q)
        return total

    judge = minimize(loss, np.zeros(len(names)), method="BFGS", options={"gtol": 1e-6})
    ours = fit(seen)
    assert [ours[name] for name in names] == pytest.approx(list(judge.x), abs=2e-3)


def test_what_repeats_is_counted_less():
    ours = fit(scored(3000, twice=True))
    assert ours["share/model"] + ours["share/sightings"] == pytest.approx(-1.0, abs=0.25)


def test_what_is_right_is_left_alone():
    ours = fit(scored(3000))
    assert max(abs(bits) for bits in ours.values()) < 0.25


@given(st.integers(0, 10), st.integers(0, 500))
def test_ten_outcomes_move_a_sure_pair_by_less_than_a_bit_and_a_half(count, seed):
    ours = fit(scored(count, seed))
    rows = (row("model", "same", 3.0), row("sightings", "same", 1.0))
    assert abs(correction(ours, "drain-pump", rows)) < 1.5


def test_no_row_loses_more_than_its_weight():
    """Labels against the evidence: shares stop at none of it, so more never means less."""
    against = [Scored(one.kind, one.rows, not one.fitted) for one in scored(3000)]
    ours = fit(against)
    assert min(bits for name, bits in ours.items() if name.startswith("share/")) == -1.0


def test_nothing_to_learn_from():
    assert fit([]) == {}
    assert correction({}, "drain-pump", [row("model", "same", 3.0)]) == 0.0
    assert math.isfinite(sum(fit(scored(1)).values()))


@settings(max_examples=100)
@given(strategies.sides, strategies.sides)
def test_the_correction_is_a_row_and_the_rows_still_sum_to_the_score(offer, want):
    pump = kind("spec-match", slug="drain-pump")
    plain = knowledge(pump)
    taught = knowledge(pump)
    taught.weights = WEIGHTS.taught({"correction": fit(scored(200, twice=True))})
    before, after = score(offer, want, plain), score(offer, want, taught)
    total = 0.0
    for one in after.rows:
        total += one.bits
    assert after.bits == total
    added = [one for one in after.rows if one.evidence in {"number places", "calibration"}]
    assert len(added) == (0 if before.stopped else 2)
    assert [one for one in after.rows if one not in added] == list(before.rows)


def test_places_that_matter_are_told_from_those_that_do_not():
    """Fits hang on place 2 alone; differences at 2 and 5 are as common and independent."""
    rng = random.Random(11)
    seen = []
    for _ in range(1500):
        differs = [at for at in (2, 5) if rng.random() < 0.5]
        truth = -2.0 if 2 in differs else 2.0
        names = tuple(f"place/Velthane/{at}" for at in differs)
        rows = (row("model", "unknown", 0.0),)
        seen.append(
            Scored(
                "drain-pump", rows, rng.random() < to_p(truth), tuple((one, 1.0) for one in names)
            )
        )
    found = fit(seen)
    assert found["place/Velthane/2"] < -2.0
    assert abs(found["place/Velthane/5"]) < 0.25 * abs(found["place/Velthane/2"])
