"""Reads on the electrical-safety check of a job: how far it is, and whether it is required."""

from collections.abc import Sequence as Rows
from dataclasses import dataclass
from typing import Any

from matching.faults.opening import opened_for
from matching.models import Job, Outcome, SafetyCheck, SafetyEntry
from parts.domain.bench.verdicts import OPEN
from parts.domain.bench.verdicts import Outcome as Found
from parts.domain.electrical_safety.sequence import Result, Sequence
from parts.models import Part
from parts.reference import safety_rules
from workshop.models import Workshop

STATUS = {
    Found.PASS: "passed",
    Found.FAIL: "failed",
    Found.NOT_MEASURED: "not-complete",
}
PART_FITTED = "a part was fitted"
WORDS = {"passed": "passed", "failed": "failed", "not-complete": "not complete"}


@dataclass(frozen=True, slots=True)
class StepView:
    """One step as a page shows it. entry: what stands for it; open_now: it may be entered."""

    number: int
    result: Result
    entry: SafetyEntry | None
    open_now: bool
    is_next: bool


@dataclass(frozen=True, slots=True)
class SafetyView:
    """The check of a job: what stands, what is void, what it must name."""

    job: Job
    check: SafetyCheck | None
    sequence: Sequence | None
    entries: dict[str, SafetyEntry]
    void: Rows[SafetyEntry]
    fitted: Rows[Outcome]
    cautions: tuple[str, ...]
    opened_for: tuple[str, ...] = ()

    @property
    def relevant(self) -> list[tuple[Outcome, str]]:
        """Return the fitted used parts the sequence is required for, each with why."""
        kinds = safety_rules().relevant_kinds
        return [(one, kinds[one.kind_id]) for one in self.fitted if one.kind_id in kinds]

    @property
    def required(self) -> bool:
        return bool(self.relevant)

    @property
    def is_owed(self) -> bool:
        """Whether the job is done, a part was fitted, a check begun or it was opened; unproved."""
        begun = bool(self.fitted or self.opened_for) or self.check is not None
        return self.job.state == Job.State.DONE and begun and self.status != "passed"

    @property
    def reopened(self) -> str:
        """Return why what was checked counts no more; "" when nothing happened since."""
        if self.check is None:
            return ""
        failed = failed_since(self.check, self.fitted)
        if failed:
            one = len(failed) == 1
            named = (
                f"A fitted part failed since: {failed[0]}."
                if one
                else (f"Fitted parts failed since: {', '.join(failed)}.")
            )
            return f"{named} Begin a new check."
        if not self._passed and any(self._is_void_by_fitting(one) for one in self.void):
            return "A part was fitted since; what was measured before is void. Measure again."
        return ""

    def _is_void_by_fitting(self, one: SafetyEntry) -> bool:
        assert self.check is not None
        return one.check_run_id == self.check.pk and one.void_because == PART_FITTED

    @property
    def _passed(self) -> bool:
        return self.sequence is not None and self.sequence.outcome is Found.PASS

    @property
    def status(self) -> str:
        """Return passed, failed or not-complete. What was not checked is not complete."""
        if self.sequence is None or self.reopened:
            return "not-complete"
        return STATUS[self.sequence.outcome]

    @property
    def status_words(self) -> str:
        return WORDS[self.status]

    @property
    def outcome(self) -> Found:
        """The status as an outcome, for its shape and colour."""
        return next(found for found, status in STATUS.items() if status == self.status)

    def steps(self) -> list[StepView]:
        """Return the steps in order, each with what stands for it."""
        if self.sequence is None:
            return []
        results = self.sequence.results
        following = self.sequence.next_step
        slugs = [result.step.slug for result in results]
        last = slugs.index(following.slug) if following else len(slugs)
        return [
            StepView(n, result, self.entries.get(result.step.slug), n - 1 <= last, n - 1 == last)
            for n, result in enumerate(results, 1)
        ]


def safety_of(workshop: Workshop, job: Job, *, fitted: Rows[Outcome] | None = None) -> SafetyView:
    """Return the check in force with its steps: three queries, six of a job that is done.

    fitted: the past fittings of the job where they were read already (`selectors.list_outcomes`).
    """
    rows = SafetyCheck.of(workshop).filter(job=job, voided_at__isnull=True)
    check = rows.select_related("begun_by__user").first()
    entries = _entries_of_job(workshop, job)
    standing = {
        one.step: one for one in entries if check and one.check_run_id == check.pk and _stands(one)
    }
    void = [one for one in entries if one not in standing.values()]
    sequence = _sequence(check, standing) if check else None
    return SafetyView(
        job,
        check,
        sequence,
        standing,
        void,
        fitted_parts(job) if fitted is None else _that_work(fitted),
        safety_rules().cautions,
        opened_for(job) if job.state == Job.State.DONE else (),
    )


def _that_work(rows: Rows[Outcome]) -> list[Outcome]:
    working = [one for one in rows if one.result == Outcome.Result.WORKED and one.part_id]
    return sorted(working, key=lambda one: (one.fitted_on, one.pk))


def _entries_of_job(workshop: Workshop, job: Job) -> list[SafetyEntry]:
    rows = SafetyEntry.of(workshop).filter(check_run__job=job)
    return list(rows.select_related("by__user", "check_run").order_by("at", "id"))


def _stands(one: SafetyEntry) -> bool:
    return one.voided_at is None


def sequence_of(check: SafetyCheck) -> Sequence:
    """Return the sequence of a check with what stands for its steps."""
    rows = SafetyEntry.of(check.workshop_id).filter(check_run=check, voided_at__isnull=True)
    return _sequence(check, {one.step: one for one in rows})


def _sequence(check: SafetyCheck, standing: dict[str, SafetyEntry]) -> Sequence:
    entered = {
        slug: OPEN if one.entry == "open" and one.limit else one.entry
        for slug, one in standing.items()
    }
    return Sequence(check.machine(), safety_rules(), entered)


def fitted_parts(job: Job) -> list[Outcome]:
    """Return the used parts that were fitted to a job and work, with donor, test and tester."""
    rows = Outcome.of(job.workshop_id).filter(
        need__job=job, result=Outcome.Result.WORKED, part__isnull=False
    )
    rows = rows.select_related("kind", "part__donor", "part__grade_test__tested_by__user")
    return list(rows.order_by("fitted_on", "id"))


def failed_since(check: SafetyCheck, fitted: Rows[Outcome]) -> list[str]:
    """Return the parts a finished check names that work no more."""
    working = {one.part.ref for one in fitted if one.part}
    return [row["part_ref"] for row in check.fitted if row["part_ref"] not in working]


def entry_of(outcome: Outcome) -> dict[str, Any]:
    """Return what the entry names of one fitted part: donor, part, bench test and person."""
    part: Part | None = outcome.part
    assert part is not None
    test = part.grade_test
    return {
        "part_ref": part.ref,
        "kind": outcome.kind.name,
        "donor_ref": part.donor.ref if part.donor else "",
        "fitted_on": outcome.fitted_on.isoformat(),
        "tested_on": test.tested_on.isoformat() if test else "",
        "tested_by": str(test.tested_by) if test and test.tested_by else "",
        "test": f"{test.get_verdict_display()}: {test.method}" if test else "",
        "safety_relevant": outcome.kind_id in safety_rules().relevant_kinds,
    }
