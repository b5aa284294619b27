"""What a part's grade rests on: its test's verdicts, its kind and its machine's age."""

from datetime import date

from parts.domain import grading
from parts.domain.bench.verdicts import Outcome, Verdict
from parts.domain.bench_forms.records import from_record, stated
from parts.models import BenchTest, Grade, Part, PartKind
from workshop.domain.intervals import from_ends

# A test that came with an imported grade: the file says it was tested, not how.
STATED = "stated in an imported file"
STATED_REASON = f"{STATED}, not how it was tested"

# What a test says as a whole, by the outcome that decides; and what a stated verdict means.
VERDICT_OF = {
    Outcome.PASS: BenchTest.Verdict.GOOD,
    Outcome.DOUBTFUL: BenchTest.Verdict.WORN,
    Outcome.FAIL: BenchTest.Verdict.FAILED,
    Outcome.NOT_MEASURED: BenchTest.Verdict.NOT_MEASURED,
}
_OUTCOME_OF = {verdict: outcome for outcome, verdict in VERDICT_OF.items()}


def stated_verdict(method: str, verdict: str, *, said: str = "") -> Verdict:
    """Return a verdict a person states of a test that no form foresees."""
    return stated(method, _OUTCOME_OF[BenchTest.Verdict(verdict)], said=said)


def verdicts_of(test: BenchTest) -> list[Verdict]:
    """Return a stored test's verdicts; one stated as a whole stands for itself."""
    if test.verdicts:
        return [from_record(row) for row in test.verdicts]
    return [stated_verdict(test.method, test.verdict)]


def facts_of(part: Part, *, looks_worn: bool) -> grading.Facts:
    """Return what besides its tests decides a part's grade. Needs donor and kind to be loaded."""
    kind, donor = part.kind, part.donor
    return grading.Facts(
        shelf_months=None if kind.shelf_months is None else int(kind.shelf_months),
        component_class=kind.component_class,
        never_reused=kind.reuse == PartKind.Reuse.NEVER,
        built=from_ends(donor.built_from, donor.built_to) if donor else None,
        looks_worn=looks_worn,
    )


def grade_by(part: Part, test: BenchTest, *, on: date) -> None:
    """Set the grade a test gives on a day, its reason, and when it falls next.

    A test that measured nothing leaves the part as it was; so does one older than the test its
    grade rests on. Needs donor, kind and grade_test to be loaded.
    """
    verdicts = verdicts_of(test)
    if all(one.outcome is Outcome.NOT_MEASURED for one in verdicts):
        return
    if part.grade_test is not None and part.grade_test.tested_on > test.tested_on:
        return
    part.grade_test = test
    _set(part, verdicts, on=on)


def grade_anew(part: Part, *, on: date) -> bool:
    """Work out a part's grade for a day from the test it rests on. Returns whether it changed."""
    test, before = part.grade_test, part.grade
    if test is None or test.method == STATED:
        part.grade_falls_on = None
        return False
    _set(part, verdicts_of(test), on=on)
    return part.grade != before


def _set(part: Part, verdicts: list[Verdict], *, on: date) -> None:
    test = part.grade_test
    assert test is not None
    facts = facts_of(part, looks_worn=test.looks_worn)
    found = grading.grade(verdicts, facts, tested_on=test.tested_on, on=on)
    part.grade, part.grade_reason = Grade(found.grade), found.reason
    part.grade_falls_on = grading.falls_on(verdicts, facts, tested_on=test.tested_on, on=on)


GRADED = ("grade", "grade_test", "grade_reason", "grade_falls_on")
