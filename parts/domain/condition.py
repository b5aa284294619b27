"""P(good): how likely a part works, from its bench test or from why its machine was scrapped."""

from dataclasses import dataclass

from donors.domain.survival import PRIOR_STRENGTH, Survival

# What a bench grade is worth. Common practice, a guess until the workshop's own returns say.
TESTED = {"tested-good": 0.95, "tested-worn": 0.85}
# Nothing untested is surer than what passed its test, whatever table and age say.
UNTESTED_MOST = 0.94


@dataclass(frozen=True, slots=True)
class Condition:
    """P(good) in 0..1 and the sentence that says what it rests on.

    belief: the Beta belief and its counts, of an untested part.
    """

    p_good: float
    because: str
    belief: Survival | None = None


def from_grade(grade: str, tested_on: str) -> Condition | None:
    """Return the condition a grade states; None when the part is untested."""
    if grade == "scrap":
        return Condition(0.0, "graded scrap")
    if grade in TESTED:
        when = f" on {tested_on}" if tested_on else ""
        return Condition(TESTED[grade], f"{grade.replace('-', ' ')}{when}")
    return None


def untested(belief: Survival, *, percent: float, cause: str, age_years: float | None) -> Condition:
    """Return the condition of an untested part, saying what the odds rest on.

    percent: the guide table's, moved for age; belief: the same with the workshop's own tests.
    """
    age = "age unknown" if age_years is None else f"about {age_years:.0f} years old"
    why = f"machine scrapped for: {cause.lower()}" if cause else "cause of scrapping unknown"
    p_good = min(belief.mean, UNTESTED_MOST)
    return Condition(p_good, f"untested; {why}; {age}; {counts(belief, percent)}", belief)


def counts(belief: Survival, percent: float) -> str:
    """Return what a belief rests on: the guide value, its weight, and own tests as counted."""
    guide = f"guide value {percent:.0f} %, weighing {PRIOR_STRENGTH:g} tests"
    own = belief.passed + belief.failed
    return (
        f"{guide}; own parts: {belief.passed} of {own} good"
        if own
        else f"{guide}; none of our own tested yet"
    )
