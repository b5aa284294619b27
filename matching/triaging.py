"""The triage of a job: what can be done, what it brings, and what would change the answer."""

from dataclasses import dataclass
from datetime import date

from matching.domain.triage.deciding import Decision, decide
from matching.domain.triage.options import BREAK, HAND_BACK, NEW, STOCK, WAIT, Option
from matching.domain.triage.rules_of_thumb import Advice, advice
from matching.triage_figures import list_rules_of_thumb
from matching.triage_situation import Weighed, weigh
from workshop.domain.refusals import ValueRefused
from workshop.errors import InputRefused
from workshop.models import Workshop

NAMES = {
    STOCK: "Fit the part in stock",
    NEW: "Buy new",
    WAIT: "Wait for a donor",
    BREAK: "Break it for parts",
    HAND_BACK: "Hand it back",
}
_STEPS = {
    NEW: "buy new",
    WAIT: "wait for a donor",
    BREAK: "break it",
    HAND_BACK: "hand it back",
}


@dataclass(frozen=True)
class Triage:
    """A job weighed and decided; rules: what the trade would say beside it."""

    weighed: Weighed
    decision: Decision
    rules: tuple[Advice, ...]

    @property
    def headline(self) -> str:
        """Return the best, the runner-up and what would change it, in one sentence."""
        best, next_ = self.decision.best, self.decision.runner_up
        said = f"{NAMES[best.first]}: {best.money:.2f} expected"
        if next_ is not None:
            said += f"; next best {NAMES[next_.first].lower()}, {next_.money:.2f}"
        threshold = self.decision.threshold
        if threshold is None:
            return f"{said}."
        return f"{said}. {threshold.sentence[0].upper()}{threshold.sentence[1:]}."


def triage_job(workshop: Workshop, ref: str, *, on: date) -> Triage:
    """Return the triage of an open job. Raises NotFound, Conflict, InputRefused by field."""
    return decide_weighed(workshop, weigh(workshop, ref, on=on))


def decide_weighed(workshop: Workshop, weighed: Weighed) -> Triage:
    """Return the triage of a job that was weighed. Raises InputRefused by field."""
    ref = weighed.job.ref
    shown = [row.rule for row in list_rules_of_thumb(workshop) if row.shown]
    try:
        decision = decide(weighed.situation)
        rules = advice(weighed.facts, shown)
    except ValueRefused as bad:
        raise InputRefused(f"Job {ref} cannot be weighed: {bad}.", fields=bad.fields) from bad
    return Triage(weighed, decision, rules)


def steps_in_words(option: Option) -> list[str]:
    """Return what is done in order: "try P-12", "wait for a donor", "hand it back"."""
    return [_STEPS.get(step) or f"fit {step.removeprefix(f'{STOCK} ')}" for step in option.steps]
