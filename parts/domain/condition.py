"""P(good): how likely a part works, from its bench test or from why its machine was scrapped."""

from dataclasses import dataclass

# What a bench grade is worth. Common practice, a guess until the workshop's own returns say.
TESTED = {"tested-good": 0.95, "tested-worn": 0.85}
# Nothing untested is surer than what passed its test, whatever table and age say.
UNTESTED_MOST = 0.94


@dataclass(frozen=True, slots=True)
class Condition:
    """P(good) in 0..1 and the sentence that says what it rests on."""

    p_good: float
    because: str


def from_grade(grade: str, tested_on: str) -> Condition | None:
    """Return the condition a grade states; None when the part is untested."""
    if grade == "scrap":
        return Condition(0.0, "graded scrap")
    if grade in TESTED:
        when = f" on {tested_on}" if tested_on else ""
        return Condition(TESTED[grade], f"{grade.replace('-', ' ')}{when}")
    return None


def untested(p_good: float, *, cause: str, age_years: float | None, own: int) -> Condition:
    """Return the condition of an untested part, saying what the odds rest on.

    own: how many of the workshop's own bench results went in.
    """
    age = "age unknown" if age_years is None else f"about {age_years:.0f} years old"
    why = f"machine scrapped for: {cause.lower()}" if cause else "cause of scrapping unknown"
    results = f"; {own} own bench results" if own else ""
    p_good = min(p_good, UNTESTED_MOST)
    return Condition(p_good, f"untested; {why}; {age}; guide table{results}")
