"""The grade of a part from its bench tests and its age, with the reason.

Source: practice.md 7: four plain grades; a grade falls after a time on the shelf unless the part
is tested again; for wear parts the machine's age counts. Common practice throughout.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil

from parts.domain.bench.verdicts import Outcome, Verdict
from workshop.domain.intervals import DAYS_PER_YEAR, Interval
from workshop.domain.months import months_after
from workshop.domain.refusals import Checks

GOOD, WORN, UNTESTED, SCRAP = "tested-good", "tested-worn", "untested", "scrap"
_FALLS = (GOOD, WORN, UNTESTED)
# A wear part of a machine this old is near the end of its range however it reads. Common
# practice: machines are stripped in full up to 8 years, selectively to 12.
WORN_FROM_YEARS = 12.0


@dataclass(frozen=True, slots=True)
class Graded:
    """A grade and the sentence that says what it rests on."""

    grade: str
    reason: str


@dataclass(frozen=True, slots=True)
class Facts:
    """What besides its tests decides a part's grade.

    shelf_months, component_class and never_reused are those of its kind (part_kinds.json);
    built is its donor's build interval; looks_worn: cosmetically worn.
    """

    shelf_months: int | None = None
    component_class: str = "other"
    never_reused: bool = False
    built: Interval | None = None
    looks_worn: bool = False


def grade(verdicts: Sequence[Verdict], facts: Facts, *, tested_on: date | None, on: date) -> Graded:
    """Return the grade at the day `on` of a part tested on one day.

    One failure scraps it; a test that was not measured leaves it untested. Raises ValueRefused:
    tested after `on`, or verdicts without their day.
    """
    with Checks() as bad:
        if verdicts and tested_on is None:
            bad.refuse("tested_on", "is missing; a test without its day cannot be graded")
        if tested_on is not None and tested_on > on:
            bad.refuse("tested_on", f"{tested_on} is after {on}; a test cannot lie ahead")
    if facts.never_reused:
        return Graded(SCRAP, "this kind is never reused, whatever the test says")
    found = _from_tests(verdicts)
    if found.grade in (SCRAP, UNTESTED) or tested_on is None:
        return found
    return _fallen(_aged(found, facts, on), facts, tested_on, on)


def falls_on(
    verdicts: Sequence[Verdict], facts: Facts, *, tested_on: date, on: date
) -> date | None:
    """Return the next day after `on` on which the grade is another; None when it stays.

    A grade changes with time in two ways only: shelf time, and a wear part's machine growing old.
    """
    now = grade(verdicts, facts, tested_on=tested_on, on=on)
    if now.grade not in (GOOD, WORN):
        return None
    for day in sorted(_days_of_change(facts, tested_on)):
        if day > on and grade(verdicts, facts, tested_on=tested_on, on=day).grade != now.grade:
            return day
    return None


def _days_of_change(facts: Facts, tested_on: date) -> set[date]:
    found = set()
    if facts.shelf_months is not None:
        found |= {months_after(tested_on, facts.shelf_months * n) for n in (1, 2, 3)}
    if facts.built and facts.component_class == "wear":
        found.add(facts.built.middle() + timedelta(days=ceil(WORN_FROM_YEARS * DAYS_PER_YEAR)))
    return found


def _from_tests(verdicts: Sequence[Verdict]) -> Graded:
    named = {
        outcome: ", ".join(one.test for one in verdicts if one.outcome is outcome)
        for outcome in Outcome
    }
    if named[Outcome.FAIL]:
        return Graded(SCRAP, f"failed: {named[Outcome.FAIL]}")
    if not verdicts:
        return Graded(UNTESTED, "no bench test")
    if named[Outcome.NOT_MEASURED]:
        return Graded(UNTESTED, f"not measured: {named[Outcome.NOT_MEASURED]}")
    if named[Outcome.DOUBTFUL]:
        return Graded(WORN, f"near or past the end of its range: {named[Outcome.DOUBTFUL]}")
    weak = sum(one.plausible_only for one in verdicts)
    plausible = f" ({weak} of {len(verdicts)} only against a guide value)" if weak else ""
    return Graded(GOOD, f"passed: {named[Outcome.PASS]}{plausible}")


def _aged(found: Graded, facts: Facts, on: date) -> Graded:
    if found.grade != GOOD:
        return found
    if facts.looks_worn:
        return Graded(WORN, f"{found.reason}; cosmetically worn")
    age = facts.built.age_years(on) if facts.built else 0.0
    if facts.component_class == "wear" and age >= WORN_FROM_YEARS:
        return Graded(WORN, f"{found.reason}; wear part of a machine about {age:.0f} years old")
    return found


def _fallen(found: Graded, facts: Facts, tested_on: date, on: date) -> Graded:
    """Return the grade one step lower for each whole shelf time since the test."""
    if facts.shelf_months is None:
        return found
    steps = 0
    while months_after(tested_on, facts.shelf_months * (steps + 1)) <= on and steps < len(_FALLS):
        steps += 1
    if not steps:
        return found
    lower = _FALLS[min(_FALLS.index(found.grade) + steps, len(_FALLS) - 1)]
    why = f"tested on {tested_on}, {facts.shelf_months} months of shelf time are over: test again"
    return Graded(lower, f"{found.reason}; {why}")
