"""Teach the weights from past fittings, and tell how much better they are on what they never saw.

Every outcome is scored without itself: outcomes are dealt into folds, and a fold is scored by
what the others taught, both knowledge (sightings, past fittings) and weights. The change in
log loss is therefore held out at every step. Reads nothing but what it is given.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from matching import gather
from matching.domain import correcting, learning, metrics
from matching.domain.knowledge import Knowledge
from matching.domain.odds import to_p
from matching.domain.scoring import Score, score
from matching.domain.weights import Weights
from matching.models import Outcome

FOLDS = 8
LIKELY_RIGHT = 0.90  # a part said to be likely to fit does so nine times in ten
LIKELY_RANGE = [step / 100 for step in range(55, 73)]
LIKELY_PRIOR = 25.0  # cases that stand for the wanted share before any is seen
LEAST_OUTCOMES = 100  # below it the limit of "likely" stays, and no gain is called clear

Fresh = Callable[[Weights], Mapping[str, Knowledge]]
Held = tuple[Outcome, Score]


@dataclass(frozen=True, slots=True)
class Taught:
    """Weights learned, and the log loss (nats a fitting) before and after on held-out fittings,
    one note in a hundred being allowed to be wrong (correcting.WRONG).

    error: standard error of the change. chances: for each outcome, in order, what it would
    have been given by weights that had not seen it. None and () without outcomes.
    """

    weights: Weights
    outcomes: int = 0
    before: float | None = None
    after: float | None = None
    error: float = 0.0
    truths: tuple[bool, ...] = ()
    chances: tuple[float, ...] = ()

    @property
    def better(self) -> bool:
        return self.before is not None and self.after is not None and self.after < self.before

    @property
    def clearly_better(self) -> bool:
        """Return whether enough fittings show a gain of more than one standard error of it."""
        gain = (self.before or 0.0) - (self.after or 0.0)
        return self.better and self.outcomes >= LEAST_OUTCOMES and gain > self.error


@dataclass(frozen=True)
class History:
    """Past fittings, oldest first, and knowledge of their kinds that none of them has touched."""

    outcomes: Sequence[Outcome]
    fresh: Fresh
    folds: int = FOLDS

    def held_out(self, weights: Callable[[int], Weights]) -> list[Held]:
        """Return each outcome with its score by the other folds' knowledge, in their order."""
        found: dict[int, Score] = {}
        for fold in range(min(self.folds, len(self.outcomes))):
            known = self.fresh(weights(fold))
            others: dict[str, list[Outcome]] = defaultdict(list)
            for at, outcome in enumerate(self.outcomes):
                if at % self.folds != fold:
                    others[outcome.kind_id].append(outcome)
            for kind, rows in others.items():
                gather.learn(known[kind], rows)
            for at in range(fold, len(self.outcomes), self.folds):
                outcome = self.outcomes[at]
                past = gather.past_of(outcome)
                found[at] = score(past.offer, past.want, known[outcome.kind_id])
        return [(outcome, found[at]) for at, outcome in enumerate(self.outcomes)]


def teach(history: History, by_hand: Weights) -> Taught:
    """Return the weights these fittings teach, with the held-out log loss before and after.

    `by_hand`: the table to start from; nothing learned earlier enters.
    """
    if not history.outcomes:
        return Taught(by_hand)
    plain = history.held_out(lambda fold: by_hand)
    kinds = history.fresh(by_hand)
    lessons = [
        learning.Lesson(kinds[outcome.kind_id].kind, found.levels, _fitted(outcome))
        for outcome, found in plain
    ]
    folds = range(min(history.folds, len(lessons)))
    by_fold = [
        by_hand.taught({"bits": learning.learn(_without(lessons, history, fold), by_hand)})
        for fold in folds
    ]
    learned = history.held_out(lambda fold: by_fold[fold])
    scored = [
        correcting.Scored(outcome.kind_id, found.rows, _fitted(outcome))
        for outcome, found in learned
        if not found.stopped
    ]
    chances = _corrected(learned, history)
    truths = [_fitted(outcome) for outcome, _ in plain]
    lesson: dict[str, Any] = {
        "bits": learning.learn(lessons, by_hand),
        "correction": correcting.fit(scored),
    }
    if len(truths) >= LEAST_OUTCOMES:
        lesson["likely"] = likely_limit(_unprinted(learned, chances))
    before = [_loss(true, found.p_fit) for true, (_, found) in zip(truths, plain, strict=True)]
    after = [_loss(true, chance) for true, chance in zip(truths, chances, strict=True)]
    return Taught(
        weights=by_hand.taught(lesson),
        outcomes=len(truths),
        before=sum(before) / len(before),
        after=sum(after) / len(after),
        error=_standard_error([b - a for b, a in zip(before, after, strict=True)]),
        truths=tuple(truths),
        chances=tuple(chances),
    )


def _fitted(outcome: Outcome) -> bool:
    return outcome.result != Outcome.Result.DID_NOT_FIT


def _without(rows: Sequence[Any], history: History, fold: int) -> list[Any]:
    return [row for at, row in enumerate(rows) if at % history.folds != fold]


def _corrected(learned: Sequence[Held], history: History) -> list[float]:
    """Return the chance of each outcome, corrected by what the other folds teach."""
    found = [0.0] * len(learned)
    for fold in range(min(history.folds, len(learned))):
        scored = [
            correcting.Scored(outcome.kind_id, one.rows, _fitted(outcome))
            for outcome, one in _without(learned, history, fold)
            if not one.stopped
        ]
        corrections = correcting.fit(scored)
        for at in range(fold, len(learned), history.folds):
            outcome, one = learned[at]
            more = 0.0
            if not one.stopped:
                more = correcting.correction(corrections, outcome.kind_id, one.rows)
            found[at] = to_p(one.bits + more)
    return found


def _unprinted(learned: Sequence[Held], chances: Sequence[float]) -> list[tuple[float, bool]]:
    """Return chance and truth of those whose numbers do not already say that they fit."""
    told = {"same", "interchange"}
    return [
        (chance, _fitted(outcome))
        for (outcome, found), chance in zip(learned, chances, strict=True)
        if not any(row.evidence == "part number" and row.level in told for row in found.rows)
    ]


def likely_limit(cases: Iterable[tuple[float, bool]]) -> float:
    """Return the least chance from which parts called likely to fit are right often enough.

    cases: chance and what was noted. The share of those above that fit, allowing for wrong
    notes, is drawn towards the wanted share, so that a handful decides nothing. The highest of
    the range when none will do.
    """
    known = list(cases)
    for limit in LIKELY_RANGE:
        right = [true for chance, true in known if chance >= limit]
        fits = (sum(right) - correcting.WRONG * len(right)) / (1 - 2 * correcting.WRONG)
        share = (fits + LIKELY_PRIOR * LIKELY_RIGHT) / (len(right) + LIKELY_PRIOR)
        if share >= LIKELY_RIGHT:
            return limit
    return LIKELY_RANGE[-1]


def _loss(noted: bool, chance: float) -> float:
    """Return the log loss of a note, some notes being wrong: no certainty is damned by a slip."""
    wrong = correcting.WRONG
    return metrics.log_loss([noted], [wrong + (1.0 - 2.0 * wrong) * chance]) or 0.0


def _standard_error(values: Sequence[float]) -> float:
    if len(values) < 2:
        return math.inf
    mean = sum(values) / len(values)
    spread = sum((value - mean) ** 2 for value in values) / (len(values) - 1)
    return math.sqrt(spread / len(values))


def summary(taught: Taught) -> str:
    """Return one line on how much better the weights are on held-out fittings."""
    if taught.before is None or taught.after is None:
        return "No past fitting to learn from; the weights are those set by hand."
    change = taught.after - taught.before
    return (
        f"Learned from {taught.outcomes} past fittings: held-out log loss "
        f"{taught.before:.4f} by hand, {taught.after:.4f} learned "
        f"({change:+.4f}, standard error {taught.error:.4f})."
    )
