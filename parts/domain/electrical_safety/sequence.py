"""Going through the steps: a later one is refused while an earlier one is open or failed."""

from dataclasses import dataclass, field, replace
from typing import Self

from parts.domain.bench.limits import Limit
from parts.domain.bench.verdicts import OPEN, Open, Outcome, checked, judge
from parts.domain.electrical_safety.rules import Machine, Rules, Step
from workshop.domain.refusals import ValueRefused

Entry = bool | float | str | Open | None
_BLOCKS = (Outcome.FAIL, Outcome.NOT_MEASURED)


class OutOfOrder(ValueRefused):
    """A step was entered while an earlier one had not passed."""


@dataclass(frozen=True, slots=True)
class Result:
    """What one step gave. limit: None for what is looked at. entry: None is not measured."""

    step: Step
    outcome: Outcome
    entry: Entry
    limit: Limit | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Sequence:
    """The steps of one machine and what was entered so far."""

    machine: Machine
    rules: Rules
    entered: dict[str, Entry] = field(default_factory=dict)

    def enter(self, slug: str, entry: Entry) -> Self:
        """Return the sequence with one step entered. Entering it again voids every later step.

        entry: True or False for what is looked at, a name for the record, else the reading in
        the unit of the step; OPEN where the meter shows no connection; None: not measured.
        Raises OutOfOrder, and ValueRefused for a step the machine has not or a bad reading.
        """
        slugs = [step.slug for step in self.steps]
        if slug not in slugs:
            raise ValueRefused({"step": f"{slug!r} is no step of a class {self._class} machine"})
        place = slugs.index(slug)
        for result in self.results[:place]:
            if result.outcome in _BLOCKS:
                raise OutOfOrder({slug: _out_of_order(self.steps[place], result)})
        _check(self.steps[place], entry)
        kept = {name: self.entered[name] for name in slugs[:place] if name in self.entered}
        return replace(self, entered=kept | {slug: entry})

    @property
    def steps(self) -> tuple[Step, ...]:
        return self.rules.steps_of(self.machine)

    @property
    def results(self) -> tuple[Result, ...]:
        """One result for each step, in order; what was not entered is not measured."""
        return tuple(self._result(step, self.entered.get(step.slug)) for step in self.steps)

    @property
    def next_step(self) -> Step | None:
        """Return the first step that has not passed; None when all have."""
        blocked = (result.step for result in self.results if result.outcome in _BLOCKS)
        return next(blocked, None)

    @property
    def outcome(self) -> Outcome:
        """Return fail when any step failed, pass only when every one passed.

        A doubtful insulation reading stands when the protective-conductor current passed.
        """
        outcomes = {result.outcome for result in self.results}
        if Outcome.FAIL in outcomes:
            return Outcome.FAIL
        return Outcome.NOT_MEASURED if Outcome.NOT_MEASURED in outcomes else Outcome.PASS

    @property
    def cautions(self) -> tuple[str, ...]:
        """Sentences to show with every use: who decides, and what can hurt."""
        return self.rules.cautions

    @property
    def _class(self) -> str:
        return self.machine.protection_class.value

    def _result(self, step: Step, entry: Entry) -> Result:
        limit = self.rules.limit_of(step, self.machine)
        if limit is None:
            return _looked_at(step, entry)
        assert not isinstance(entry, str) or isinstance(entry, Open)
        verdict = judge(step.name, entry, limit, open_passes=step.kind == "Mohm")
        result = Result(step, verdict.outcome, entry, limit, verdict.sentence)
        low = step.slug == "insulation" and result.outcome is Outcome.FAIL
        if low and self.rules.low_insulation_may_pass(self.machine):
            why = "With more than 3.5 kW of heating the protective-conductor current decides."
            return replace(result, outcome=Outcome.DOUBTFUL, sentence=f"{result.sentence} {why}")
        return result


def _looked_at(step: Step, entry: Entry) -> Result:
    if entry is None:
        return Result(step, Outcome.NOT_MEASURED, entry, None, f"{step.name}: not done.")
    if step.kind == "name":
        return Result(step, Outcome.PASS, entry, None, f"{step.name}: {entry} answers for it.")
    outcome = Outcome.PASS if entry else Outcome.FAIL
    return Result(step, outcome, entry, None, f"{step.name}: {'passed' if entry else 'failed'}.")


def _check(step: Step, entry: Entry) -> None:
    """Raise ValueRefused when the entry is not of the step's kind."""
    if entry is None:
        return
    if step.kind == "yes-no":
        if not isinstance(entry, bool):
            raise ValueRefused({step.slug: f"{entry!r}: say whether it passed, yes or no"})
    elif step.kind == "name":
        if not isinstance(entry, str) or isinstance(entry, Open) or not entry.strip():
            raise ValueRefused({step.slug: "name the person who answers for the record"})
    elif entry is OPEN and step.kind not in ("ohm", "Mohm"):
        raise ValueRefused({step.slug: f"{step.name} is read in {step.kind}, not as connected"})
    elif isinstance(entry, str) and not isinstance(entry, Open):
        raise ValueRefused({step.slug: f"{entry!r} is no number; give it in {step.kind}"})
    else:
        checked(step.slug, entry, step.kind)


def _out_of_order(step: Step, earlier: Result) -> str:
    state = "failed" if earlier.outcome is Outcome.FAIL else "is not done"
    return (
        f"{step.name} comes after {earlier.step.name.lower()}, which {state}: "
        f"{'put it right and repeat it' if state == 'failed' else 'do it'} first"
    )
