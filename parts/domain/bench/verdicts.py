"""What a bench test says: outcome, reading, limit, and a sentence that repeats all three."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from parts.domain.bench.limits import Limit, Standing, window_words
from workshop.domain.refusals import Checks


class Outcome(StrEnum):
    """The four answers of a test, worst last but for what was not measured."""

    NOT_MEASURED = "not-measured"
    PASS = "pass"
    DOUBTFUL = "doubtful"
    FAIL = "fail"

    @property
    def words(self) -> str:
        return {"pass": "passed", "fail": "failed", "not-measured": "not measured"}.get(
            self.value, self.value
        )

    @property
    def shape(self) -> str:
        """A sign that tells outcomes apart without colour."""
        return {"pass": "●", "doubtful": "▲", "fail": "✕"}.get(self.value, "○")


class Open(StrEnum):
    """A meter that shows no connection. A reading of its own: infinity is never a number here."""

    CIRCUIT = "open circuit"


OPEN: Final = Open.CIRCUIT
Reading = float | Open | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """One test's answer. `measured` is in `unit`; None means not measured, which never passes."""

    test: str
    outcome: Outcome
    measured: Reading
    unit: str
    limit: Limit
    sentence: str

    @property
    def plausible_only(self) -> bool:
        """True for a pass that rests on a guide value or one maker's figure: say so on screen."""
        weak = self.limit.standing in (Standing.GUIDE, Standing.MAKER)
        return weak and self.outcome is Outcome.PASS

    @property
    def is_standards_limit(self) -> bool:
        return self.limit.standing is Standing.STANDARD

    def noting(self, more: str) -> "Verdict":
        """Return the same verdict with one sentence more."""
        return replace(self, sentence=f"{self.sentence} {more}")


def checked(field: str, measured: Reading, unit: str, *, most: float | None = None) -> Reading:
    """Return a reading that can be judged. Raises ValueRefused: negative, NaN, infinite, text.

    most: the largest reading there can be, in its unit.
    """
    if measured is None or measured is OPEN:
        return measured
    with Checks() as check:
        check.number(field, measured, unit, least=0, most=most)
    return measured


def judge(test: str, measured: Reading, limit: Limit, *, open_passes: bool = False) -> Verdict:
    """Return the verdict of a reading, already checked, in the limit's unit.

    open_passes: no connection is what is wanted, as between a winding and earth.
    """
    outcome = _outcome(measured, limit, open_passes=open_passes)
    name = test[:1].upper() + test[1:]
    against = f"{limit} ({limit.standing.words}; {limit.source})"
    if measured is None:
        sentence = f"{name}: not measured; it would be held against {against}."
    else:
        sentence = f"{name}: {_reading(measured, limit.unit)}, {_says(outcome)} {against}."
    if outcome is Outcome.DOUBTFUL:
        beyond = window_words(limit.doubtful_low, limit.doubtful_high, limit.unit)
        sentence += f" Doubtful, not failed: within {beyond}."
    verdict = Verdict(test, outcome, measured, limit.unit, limit, sentence)
    return verdict.noting("Plausible, no proof.") if verdict.plausible_only else verdict


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict that decides several: a failure, then what was not measured, doubt, pass.

    A missing reading outweighs a doubtful one, because it might have been a failure.
    Raises ValueError when there is none.
    """
    order = (Outcome.FAIL, Outcome.NOT_MEASURED, Outcome.DOUBTFUL, Outcome.PASS)
    return min(verdicts, key=lambda verdict: order.index(verdict.outcome))


def _outcome(measured: Reading, limit: Limit, *, open_passes: bool) -> Outcome:
    if measured is None:
        return Outcome.NOT_MEASURED
    if isinstance(measured, Open):
        return Outcome.PASS if open_passes else Outcome.FAIL
    if limit.passes(measured):
        return Outcome.PASS
    return Outcome.DOUBTFUL if limit.is_doubtful(measured) else Outcome.FAIL


def _reading(measured: float | Open, unit: str) -> str:
    return str(measured) if isinstance(measured, Open) else f"{measured:.5g} {unit}".strip()


def _says(outcome: Outcome) -> str:
    return "within" if outcome is Outcome.PASS else "outside"
