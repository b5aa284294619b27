"""The probability that the first candidate is the machine meant.

A logistic function of what the ranking saw. Its weights are fitted on invented catalogues by
tests/speed/fit_lookup.py and stand in fixtures/reference/lookup.json with their source; the fit is
measured on makes that were not used in it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from donors.domain.lookup import alike

FEATURES = (
    "one",
    "cost",
    "cost_squared",
    "lead",
    "crowd",
    "rivals",
    "length",
    "cost_a_character",
    "begins",
    "sure",
    "sure_lead",
    "make_agrees",
    "make_differs",
    "unlike",
    "weight_lead",
)
MOST_COST, MOST_LEAD = 30.0, 15.0


@dataclass(frozen=True)
class Seen:
    """What the ranking saw. costs: what misreading alone takes to make each model of it, in
    the order they are ranked (nats; another may cost less than the first). unlike: what each
    shares less than all, as in alike. make_agrees: None when no make was told."""

    costs: Sequence[float]
    unlike: Sequence[float]
    length: int
    sure: bool
    begins: bool
    make_agrees: bool | None

    def features(self) -> tuple[float, ...]:
        first, rest = self.costs[0], self.costs[1:]
        cost = min(first, MOST_COST) / 10
        lead = _lead(self.costs)
        crowd = math.log(sum(math.exp(max(min(first - one, 0.0), -30)) for one in rest) + 1e-4)
        rivals = sum(one - first < 1.0 for one in rest)
        return (
            1.0,
            cost,
            cost * cost,
            lead / 5,
            crowd / 3,
            math.log1p(rivals),
            min(self.length, 20) / 10,
            min(first, MOST_COST) / max(self.length, 1),
            float(self.begins),
            float(self.sure),
            lead / 5 * self.sure,
            float(self.make_agrees is True),
            float(self.make_agrees is False),
            self.unlike[0] / alike.MOST,
            _lead([a + b for a, b in zip(self.costs, self.unlike, strict=True)]) / 5,
        )


def _lead(values: Sequence[float]) -> float:
    """Return by how many nats the first is less than all others, at most MOST_LEAD."""
    return min(max(min(values[1:], default=math.inf) - values[0], 0.0), MOST_LEAD)


@dataclass(frozen=True)
class Calibration:
    """Weights of the features, and the bounds of what is ever stated."""

    weights: tuple[float, ...]
    least: float = 0.001
    most: float = 0.999

    @classmethod
    def of(cls, row: Mapping[str, object]) -> "Calibration":
        """Read the weights from the reference file. Raises KeyError when one is missing."""
        weights = row["weights"]
        assert isinstance(weights, Mapping)
        return cls(tuple(float(weights[name]) for name in FEATURES))

    def probability(self, seen: Seen) -> float:
        """Return 0..1: the chance that the first of the candidates is the machine meant."""
        if not seen.costs:
            return 0.0
        total = sum(w * x for w, x in zip(self.weights, seen.features(), strict=True))
        chance = 1 / (1 + math.exp(-max(-30.0, min(30.0, total))))
        return min(self.most, max(self.least, chance))


def fit(rows: np.ndarray, right: np.ndarray, *, ridge: float = 1.0) -> np.ndarray:
    """Return logistic weights by Newton's method. Shape: n rows × FEATURES, right n of 0 or 1."""
    weights = np.zeros(rows.shape[1])
    for _ in range(50):
        chance = 1 / (1 + np.exp(-np.clip(rows @ weights, -30, 30)))
        slope = rows.T @ (right - chance) - ridge * weights
        curve = (rows * (chance * (1 - chance))[:, None]).T @ rows + ridge * np.eye(len(weights))
        step = np.linalg.solve(curve, slope)
        weights += step
        if float(np.abs(step).max()) < 1e-7:
            break
    return weights


def expected_error(chances: np.ndarray, right: np.ndarray, *, bins: int = 10) -> float:
    """Return the expected calibration error over bins of equal width, 0..1."""
    place = np.minimum((chances * bins).astype(int), bins - 1)
    error = 0.0
    for one in range(bins):
        here = place == one
        if here.any():
            error += here.mean() * abs(float(chances[here].mean()) - float(right[here].mean()))
    return float(error)
