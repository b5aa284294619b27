"""Teach the weights from past fittings, and tell how much better they are on what they never saw.

Every outcome is scored without itself: outcomes are dealt into folds, and a fold is scored by
what the others taught, both knowledge (sightings, past fittings) and weights. One thread is
left: the correction of a fold is fitted on rows of other folds, whose past fittings included
this one; cutting it would take a pass for every pair of folds, for hundredths of a bit.
Reads nothing but what it is given.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from matching import gather
from matching.domain import correcting, learning, metrics, type_learning
from matching.domain.knowledge import Knowledge
from matching.domain.outcomes import Past
from matching.domain.scoring import Score, score
from matching.domain.weights import Weights
from matching.models import Outcome

FOLDS = 8
LIKELY_RIGHT = 0.90  # a part said to be likely to fit does so nine times in ten
LIKELY_RANGE = [step / 100 for step in range(55, 73)]
LIKELY_PRIOR = 25.0  # cases that stand for the wanted share before any is seen
LIKELY_LEAST = 50  # fewer above a limit say nothing of it (our own choice)
LIKELY_GUARD = 0.5  # standard errors by which the share must lie above what is wanted
SURE = 0.99  # from this chance, and with numbers that say so, a note of a misfit is a slip
SLIPS_PRIOR = 100.0
LEAST_OUTCOMES = 100  # below it the limit of "likely" stays, and no gain is called clear

Fresh = Callable[[Weights], Mapping[str, Knowledge]]
Held = tuple[Outcome, Score]


@dataclass(frozen=True, slots=True)
class Taught:
    """Weights learned, and the log loss (nats a fitting) before and after on held-out fittings,
    one note in a hundred being allowed to be wrong (correcting.WRONG).

    error: standard error of the change. plain, final: each outcome in order with its score by
    hand, and by what the other outcomes teach. None and () without outcomes.
    """

    weights: Weights
    outcomes: int = 0
    before: float | None = None
    after: float | None = None
    error: float = 0.0
    plain: tuple[Held, ...] = ()
    final: tuple[Held, ...] = ()

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

    @property
    def used(self) -> int:
        """Return the number of folds that hold an outcome."""
        return min(self.folds, len(self.outcomes))

    @property
    def each(self) -> range:
        return range(self.used)

    def without(self, fold: int, rows: Sequence[Any]) -> list[Any]:
        """Return the rows, in the order of the outcomes, of all folds but one."""
        return [row for at, row in enumerate(rows) if at % self.folds != fold]

    def held_out(self, weights: Sequence[Weights]) -> list[Held]:
        """Return each outcome with its score by the other folds' knowledge, in their order.

        weights: for each fold, what its outcomes are scored with.
        """
        found: dict[int, Score] = {}
        for fold in self.each:
            known = self.fresh(weights[fold])
            others: dict[str, list[Outcome]] = defaultdict(list)
            for outcome in self.without(fold, self.outcomes):
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
    plain = history.held_out([by_hand] * history.used)
    kinds = history.fresh(by_hand)
    lessons = [
        learning.Lesson(kinds[outcome.kind_id].kind, found.levels, fitted(outcome))
        for outcome, found in plain
    ]
    counted = [
        {
            "bits": learning.learn(history.without(fold, lessons), by_hand),
            "types": _types(history.without(fold, history.outcomes), kinds),
        }
        for fold in history.each
    ]
    learned = history.held_out([by_hand.taught(one) for one in counted])
    taught_by = [history.without(fold, learned) for fold in history.each]
    corrections = [correcting.fit(_scored(rest), slips(rest)) for rest in taught_by]
    both = zip(counted, corrections, strict=True)
    final = history.held_out([by_hand.taught({**one, "correction": c}) for one, c in both])
    lesson: dict[str, Any] = {
        "bits": learning.learn(lessons, by_hand),
        "types": _types(history.outcomes, kinds),
        "correction": correcting.fit(_scored(learned), slips(learned)),
    }
    if len(final) >= LEAST_OUTCOMES:
        cases = [(found.p_fit, fitted(outcome)) for outcome, found in final if not _printed(found)]
        set_by_hand = by_hand.limits()["likely"]
        lesson["likely"] = likely_limit(cases, by_hand=set_by_hand, slip=slips(final))
    before, after = [_loss(*one) for one in plain], [_loss(*one) for one in final]
    return Taught(
        weights=by_hand.taught(lesson),
        outcomes=len(final),
        before=sum(before) / len(before),
        after=sum(after) / len(after),
        error=_standard_error([b - a for b, a in zip(before, after, strict=True)]),
        plain=tuple(plain),
        final=tuple(final),
    )


def _scored(held: Iterable[Held]) -> list[correcting.Scored]:
    return [
        correcting.Scored(outcome.kind_id, found.rows, fitted(outcome), found.beside)
        for outcome, found in held
        if not found.stopped
    ]


def _types(outcomes: Iterable[Outcome], kinds: Mapping[str, Knowledge]) -> dict[str, Any]:
    """Return the readings of the types of each kind, by slug."""
    by_kind: dict[str, list[Past]] = defaultdict(list)
    for outcome in outcomes:
        by_kind[outcome.kind_id].append(gather.past_of(outcome))
    return {slug: type_learning.learn(kinds[slug].kind, rows) for slug, rows in by_kind.items()}


def fitted(outcome: Outcome) -> bool:
    """Return whether it went in; one that failed later did."""
    return outcome.result != Outcome.Result.DID_NOT_FIT


def _printed(found: Score) -> bool:
    """Return whether the part numbers by themselves say that it fits."""
    told = {"same", "interchange"}
    return any(row.evidence == "part number" and row.level in told for row in found.rows)


def slips(held: Iterable[Held]) -> float:
    """Return the share of fittings noted the wrong way round, 0..1.

    Seen where the printed numbers leave no doubt; drawn towards our guess (correcting.WRONG),
    which stands for SLIPS_PRIOR of them.
    """
    sure = [fitted(outcome) for outcome, found in held if _printed(found) and found.p_fit >= SURE]
    wrong = len(sure) - sum(sure)
    return (wrong + SLIPS_PRIOR * correcting.WRONG) / (len(sure) + SLIPS_PRIOR)


def likely_limit(
    cases: Iterable[tuple[float, bool]], *, by_hand: float, slip: float = correcting.WRONG
) -> float:
    """Return the least chance from which parts called likely to fit are right often enough.

    cases: chance and what was noted; slip: the share of notes that are wrong. The share of those
    above that fit is told twice, by the notes (which a few hundred tell to a hundredth or two)
    and by the mean of the chances (as good as they are calibrated); their mean is drawn towards
    the wanted share, so that a handful decides nothing. The least limit of many that will do is
    one that luck favoured, so the share has to lie LIKELY_GUARD standard errors above. The
    highest of the range when none will do. Where fewer than LIKELY_LEAST lie above, the limit
    set by hand stands, or the first such limit where the lower ones were seen not to do.
    """
    known = list(cases)
    for limit in LIKELY_RANGE:
        above = [(chance, true) for chance, true in known if chance >= limit]
        if len(above) < LIKELY_LEAST:
            return max(by_hand, limit)
        noted = (sum(true for _, true in above) - slip * len(above)) / (1 - 2 * slip)
        stated = sum(chance for chance, _ in above)
        fits = (noted + stated) / 2
        fits -= LIKELY_GUARD * math.sqrt(LIKELY_RIGHT * (1.0 - LIKELY_RIGHT) * len(above))
        share = (fits + LIKELY_PRIOR * LIKELY_RIGHT) / (len(above) + LIKELY_PRIOR)
        if share >= LIKELY_RIGHT:
            return limit
    return LIKELY_RANGE[-1]


def _loss(outcome: Outcome, found: Score) -> float:
    """Return the log loss of a note, some notes being wrong: no certainty is damned by a slip."""
    wrong = correcting.WRONG
    chance = wrong + (1.0 - 2.0 * wrong) * found.p_fit
    return metrics.log_loss([fitted(outcome)], [chance]) or 0.0


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
