"""What the sum of the evidence is off by, learned from past fittings that did not teach it.

Rows of evidence repeat each other, and a sum of weights that were each right alone says too
much or too little. The correction gives each piece of evidence a share of its bits back or
takes one away, and each level and kind a few bits; beside it stand what differences at single
places of the model numbers are worth (places.py) and what it is worth that both seem to be of
one type (part_types.py). They are rows of the explanation, so the rows still add up to the
score. No share of a row's bits is taken below none of them (held at -1): more bits in such a row
never lower the odds. What stands beside the rows, places and types, is not held: how clearly a
type is told may count against it, and one kind against what all kinds say, so no bound on a
single coefficient would promise as much.

Fitted as logistic regression on the rows with the plain sum as offset, each coefficient drawn
towards none by a Gaussian prior (ridge), so that few outcomes correct little.
Source: Platt 1999 and Zadrozny and Elkan 2002 for calibrating by such a map of held-out scores;
Bishop, Pattern Recognition and Machine Learning, section 4.3.3 for the Newton steps.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from matching.domain import part_types, places
from matching.domain.sides import Line, Row

# How far a coefficient goes by itself (standard deviation of its prior): a share of a row's
# bits; bits of a level; bits of a kind; bits of a difference at one place of the number; a share
# of the odds that both are of one type.
SPREAD = {"share": 0.25, "level": 0.25, "kind": 0.2, places.NAME: 0.6, part_types.NAME: 0.25}
LEFT_OUT = frozenset({"start", "rule", "one type", "number places", "calibration"})
MOST_BITS = 12.0  # a row that is all but certain teaches nothing about the shares of others
STEPS = 30
# The share of past fittings noted the wrong way round, before any is seen. A guess of ours: people
# slip.
WRONG = 0.01


@dataclass(frozen=True, slots=True)
class Scored:
    """The rows of one past fitting, scored without it, and whether it fitted.

    beside: what is weighed beside the rows, by name (Score.beside).
    """

    kind: str
    rows: tuple[Row, ...]
    fitted: bool
    beside: tuple[tuple[str, float], ...] = ()

    def features(self) -> dict[str, float]:
        return features(self.kind, self.rows) | dict(self.beside)


def features(kind: str, rows: Iterable[Row | Line]) -> dict[str, float]:
    """Return what the correction looks at, by name; values are bits or 1."""
    found = {f"kind/{kind}": 1.0}
    for row in rows:
        if row.evidence not in LEFT_OUT:
            found[f"share/{row.evidence}"] = max(-MOST_BITS, min(MOST_BITS, row.bits))
            found[f"level/{row.evidence}/{row.level}"] = 1.0
    return found


def correction(corrections: Mapping[str, float], kind: str, rows: Iterable[Row | Line]) -> float:
    """Return the bits to add to the sum of these rows."""
    found = features(kind, rows).items()
    return sum(corrections.get(name, 0.0) * value for name, value in found)


def fit(scored: Sequence[Scored], wrong: float = WRONG) -> dict[str, float]:
    """Return the correction of each feature, {} without outcomes. Same input, same output.

    wrong: the share of fittings noted the wrong way round.
    """
    looked = [one.features() for one in scored]
    names = sorted({name for one in looked for name in one})
    if not names:
        return {}
    table = np.array([[one.get(name, 0.0) for name in names] for one in looked])
    offset = np.array([sum(row.bits for row in one.rows) for one in scored])
    fitted = np.array([one.fitted for one in scored], dtype=float)
    spread = np.array([SPREAD[name.partition("/")[0]] for name in names])
    shares = np.array([name.startswith("share/") for name in names])
    least = np.where(shares, -1.0, -np.inf)
    found = _ridge(table, offset, fitted, spread, least, wrong)
    return dict(zip(names, map(float, found), strict=True))


def _ridge(
    table: np.ndarray,
    offset: np.ndarray,
    fitted: np.ndarray,
    spread: np.ndarray,
    least: np.ndarray,
    wrong: float,
) -> np.ndarray:
    """Return the coefficients in bits; those that would fall below `least` are held there."""
    found = np.zeros(table.shape[1])
    held = np.zeros(len(found), dtype=bool)
    while True:
        found = _newton(table, offset, fitted, spread, found, ~held, wrong)
        below = (found < least) & ~held
        if not below.any():
            return found
        held |= below
        found = np.where(held, least, found)


def _newton(
    table: np.ndarray,
    offset: np.ndarray,
    fitted: np.ndarray,
    spread: np.ndarray,
    found: np.ndarray,
    free: np.ndarray,
    wrong: float,
) -> np.ndarray:
    """Return the maximum of the posterior over the free coefficients, by Newton's method."""
    nat, found = math.log(2.0), found.copy()
    part, weight = table[:, free], 1.0 / spread[free] ** 2
    for _ in range(STEPS):
        p = 1.0 / (1.0 + np.exp(-nat * np.clip(offset + table @ found, -40.0, 40.0)))
        noted = wrong + (1.0 - 2.0 * wrong) * p
        turn = nat * (1.0 - 2.0 * wrong) * p * (1.0 - p)
        certainty = noted * (1.0 - noted)
        slope = part.T @ (turn * (fitted - noted) / certainty) - weight * found[free]
        curve = (part.T * (turn**2 / certainty)) @ part + np.diag(weight)
        step = np.linalg.solve(curve, slope)
        found[free] += np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-7:
            break
    return found
