"""What a part's grade rests on: its test's verdicts, its kind and its machine's age."""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from parts.domain import grading
from parts.domain.bench.verdicts import Outcome, Verdict
from parts.domain.bench_forms.records import STATED as STATED_SLUG
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
    """Set the grade a stored test gives on a day, its reason, and when it falls next.

    A test that measured nothing leaves the part as it was; so does one older than the test its
    grade rests on. A failure stands until it was measured again. Needs donor, kind and
    grade_test to be loaded.
    """
    if all(one.outcome is Outcome.NOT_MEASURED for one in verdicts_of(test)):
        return
    failed = standing_failure(part.tests.all())
    older = part.grade_test is not None and part.grade_test.tested_on > test.tested_on
    if failed is None and older:
        return
    part.grade_test = failed or test
    _set(part, verdicts_of(part.grade_test), on=on)
    part.grade_reason += since(part.grade_test, test)


def since(rests_on: BenchTest, test: BenchTest) -> str:
    """Return what is said of a failure that a newer test did not measure; "" for none."""
    if rests_on is test or rests_on.tested_on > test.tested_on or rests_on.pk == test.pk:
        return ""
    return f"; failed on {rests_on.tested_on}, and that was not measured again"


_WHOLE = ""  # stands for a test stated as a whole


def standing_failure(tests: Iterable[BenchTest]) -> BenchTest | None:
    """Return the newest test with a failure that nobody measured again since; None for none.

    A test stated as a whole answers for all before it; a form with nothing left out for what was
    stated as a whole; any other only for what it measured. A test not stored yet is the newest
    of its day.
    """
    failed: dict[str, BenchTest] = {}
    for test in sorted(tests, key=_when):
        found = _measured(test)
        if _WHOLE in found:
            failed = {}
        for subject in found:
            failed.pop(subject, None)
        if test.verdict != BenchTest.Verdict.NOT_MEASURED:
            failed.pop(_WHOLE, None)
        failed |= {name: test for name, outcome in found.items() if outcome is Outcome.FAIL}
    return max(failed.values(), key=_when, default=None)


def _when(test: BenchTest) -> tuple[date, bool, int]:
    return test.tested_on, test.pk is None, test.pk or 0


def _measured(test: BenchTest) -> dict[str, Outcome]:
    """Return the outcomes of what a test measured, by its slug or by the name it was given."""
    if all(row["slug"] == STATED_SLUG for row in test.verdicts):
        found = {_WHOLE: _OUTCOME_OF[BenchTest.Verdict(test.verdict)]}
    else:
        found = {_subject(row): Outcome(row["outcome"]) for row in test.verdicts}
    return {name: one for name, one in found.items() if one is not Outcome.NOT_MEASURED}


def _subject(row: Mapping[str, Any]) -> str:
    stated_as = f"stated: {row['test'].lower()}"
    return stated_as if row["slug"] == STATED_SLUG else str(row["slug"])


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
