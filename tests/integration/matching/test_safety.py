"""The electrical-safety check of a job: order, voids, status, the entry, refusals.

Figures: EN 50678 / DIN VDE 0701-0702 as testers' manuals print them (check-values 2.1).
"""

from datetime import timedelta
from typing import Any

import pytest

from matching import fittings, holds, safety
from matching.faults import answers, closing
from matching.models import Job, Outcome, SafetyCheck, SafetyEntry
from matching.safety_views import SafetyView, safety_of
from matching.services import NeedFacts
from parts import services as part_services
from parts.domain.bench.verdicts import OPEN
from parts.models import BenchTest, Part
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused, NotFound

pytestmark = pytest.mark.django_db

EARTHED = {
    "protection_class": "I",
    "cable_m": 1.5,
    "heating_kw": 2.0,
    "unearthed_metal": False,
    "selv_output": False,
}
SOUND: list[tuple[str, Any]] = [
    ("visual", True),
    ("protective-conductor", 0.21),
    ("insulation", 12.0),
    ("protective-conductor-current", 0.8),
    ("function", True),
    ("record", "R. Alder"),
]


def begin(bench: Bench, job: Job, **more: Any) -> SafetyCheck:
    facts = {**EARTHED, **more}
    return safety.begin_check(
        workshop=bench.workshop, ref=job.ref, facts=facts, member=bench.technician, now=NOW
    )


def enter(bench: Bench, job: Job, step: str, entry: Any, **more: Any) -> SafetyEntry:
    more.setdefault("now", NOW)
    return safety.enter_step(
        workshop=bench.workshop,
        ref=job.ref,
        step=step,
        entry=entry,
        member=bench.technician,
        **more,
    )


def go_through(bench: Bench, job: Job, steps: list[tuple[str, Any]] = SOUND) -> None:
    for step, entry in steps:
        enter(bench, job, step, entry)


def view(bench: Bench, job: Job) -> SafetyView:
    return safety_of(bench.workshop, job)


def fit(
    bench: Bench,
    job: Job,
    kind: str,
    *,
    tested: bool = True,
    result: Outcome.Result = Outcome.Result.WORKED,
) -> Part:
    """Fit a used part of a kind to the job's need of it."""
    part = bench.part(bench.donor(), kind)
    if tested:
        part_services.record_bench_test(
            workshop=bench.workshop,
            ref=part.ref,
            verdict=BenchTest.Verdict.GOOD,
            method="measured on the bench",
            tested_on=TODAY,
            tested_by=bench.technician,
        )
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=job.needs.get(kind=kind).pk,
        member=bench.technician,
        now=NOW,
    )
    why = "size" if result == Outcome.Result.DID_NOT_FIT else ""
    report = fittings.Report(result, TODAY, why=why)
    fittings.report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)
    return part


@pytest.fixture
def job(bench: Bench) -> Job:
    return bench.job(needs=[NeedFacts(kind="heater"), NeedFacts(kind="detergent-drawer")])


def test_every_step_in_order_passes(bench: Bench, job: Job) -> None:
    assert view(bench, job).status == "not-complete"
    begin(bench, job)
    for n, (step, entry) in enumerate(SOUND):
        found = view(bench, job)
        assert found.status == "not-complete"
        assert [one.open_now for one in found.steps()] == [place <= n for place in range(6)]
        assert found.sequence is not None
        assert found.sequence.next_step is not None
        assert found.sequence.next_step.slug == step
        stored = enter(bench, job, step, entry, tester="T 1")
        assert (stored.outcome, stored.by) == ("pass", bench.technician)
    assert view(bench, job).status == "passed"
    conductor = SafetyEntry.of(bench.workshop).get(step="protective-conductor")
    assert (conductor.limit, conductor.standing) == ("at most 0.3 ohm", "standard")
    assert "EN 50678" in conductor.source


@pytest.mark.parametrize("missing", range(1, 6))
def test_a_step_is_refused_while_an_earlier_one_is_missing(
    bench: Bench, job: Job, missing: int
) -> None:
    begin(bench, job)
    go_through(bench, job, SOUND[: missing - 1])
    step, entry = SOUND[missing]
    with pytest.raises(InputRefused, match="which is not done") as refused:
        enter(bench, job, step, entry)
    assert set(refused.value.fields) == {step}
    assert SafetyEntry.of(bench.workshop).count() == missing - 1


def test_a_failed_step_stops_the_sequence_until_it_is_repeated(bench: Bench, job: Job) -> None:
    begin(bench, job)
    go_through(bench, job, [*SOUND[:1], ("protective-conductor", 0.35)])
    assert view(bench, job).status == "failed"
    with pytest.raises(InputRefused, match="which failed"):
        enter(bench, job, "insulation", 5.0)
    enter(bench, job, "protective-conductor", 0.28)
    assert view(bench, job).status == "not-complete"
    enter(bench, job, "insulation", 5.0)


def test_repeating_a_step_voids_the_later_ones_which_stay_on_record(bench: Bench, job: Job) -> None:
    begin(bench, job)
    go_through(bench, job)
    assert view(bench, job).status == "passed"
    enter(bench, job, "insulation", 8.0, now=NOW + timedelta(hours=1))
    found = view(bench, job)
    assert found.status == "not-complete"
    assert set(found.entries) == {"visual", "protective-conductor", "insulation"}
    assert {one.step: one.void_because for one in found.void} == {
        "insulation": "it was repeated",
        "protective-conductor-current": "insulation before it was repeated",
        "function": "insulation before it was repeated",
        "record": "insulation before it was repeated",
    }
    assert SafetyEntry.of(bench.workshop).count() == 7
    assert found.check is not None
    assert found.check.fitted == []


def test_beginning_anew_voids_the_whole_check(bench: Bench, job: Job) -> None:
    begin(bench, job)
    go_through(bench, job)
    begin(bench, job, protection_class="II", unearthed_metal=True)
    found = view(bench, job)
    assert (found.status, len(found.void), found.entries) == ("not-complete", 6, {})
    assert [one.result.step.slug for one in found.steps()] == [
        "visual",
        "insulation",
        "touch-current",
        "function",
        "record",
    ]
    assert SafetyCheck.of(bench.workshop).filter(voided_at=None).count() == 1


@pytest.mark.parametrize(
    ("facts", "step", "limit"),
    [
        ({"cable_m": 12.5}, "protective-conductor", 0.4),
        ({"cable_m": 57.5}, "protective-conductor", 1.0),
        ({"cable_m": None}, "protective-conductor", 0.3),
        ({"heating_connected": True}, "insulation", 0.3),
        ({"heating_connected": None}, "insulation", 1.0),
        ({"protection_class": "II"}, "insulation", 2.0),
        ({"protection_class": "III"}, "insulation", 0.25),
        ({"heating_kw": 6.0}, "protective-conductor-current", 6.0),
        ({"heating_kw": None}, "protective-conductor-current", 3.5),
    ],
)
def test_the_limit_follows_class_cord_and_heating(
    bench: Bench, job: Job, facts: dict[str, Any], step: str, limit: float
) -> None:
    begin(bench, job, **facts)
    found = next(one for one in view(bench, job).steps() if one.result.step.slug == step)
    held = found.result.limit
    assert held is not None
    assert limit in (held.low, held.high)
    assert held.standing.value == "standard"


def test_uk_figures_are_guide_values(bench: Bench, job: Job) -> None:
    begin(bench, job, limit_set="uk-in-service", cable_m=3.0, cable_mm2=1.0, portable=False)
    enter(bench, job, "visual", True)
    found = enter(bench, job, "protective-conductor", 0.17)
    # 0.1 + 3 m of 1.0 mm² at 0.0195 ohm/m: 0.1585 (a page's worked example, printed 0.16).
    assert (found.outcome, found.standing) == ("fail", "guide")
    with pytest.raises(InputRefused, match="no figure here"):
        begin(bench, job, limit_set="uk-in-service", cable_mm2=2.5)


@pytest.mark.parametrize(
    ("step", "entry"),
    [
        ("visual", "fine"),
        ("visual", 1.0),
        ("visual", None),
        ("visual", ""),
        ("protective-conductor", -0.1),
        ("protective-conductor", float("nan")),
        ("protective-conductor", float("inf")),
        ("protective-conductor", "0.2"),
        ("protective-conductor", True),
        ("touch-current", 0.1),
        ("no-such-step", True),
    ],
)
def test_bad_entries_are_refused_and_nothing_is_stored(
    bench: Bench, job: Job, step: str, entry: Any
) -> None:
    begin(bench, job)
    if step != "visual":
        enter(bench, job, "visual", True)
    before = SafetyEntry.of(bench.workshop).count()
    with pytest.raises(InputRefused) as refused:
        enter(bench, job, step, entry)
    assert refused.value.fields
    assert SafetyEntry.of(bench.workshop).count() == before


@pytest.mark.parametrize(
    "facts",
    [
        {"protection_class": "IV"},
        {"limit_set": "mars"},
        {"cable_m": -1.0},
        {"cable_m": float("inf")},
        {"heating_kw": 400.0},
        {"cable_mm2": 0.0},
    ],
)
def test_a_machine_that_cannot_be_is_refused(bench: Bench, job: Job, facts: Any) -> None:
    with pytest.raises(InputRefused) as refused:
        begin(bench, job, **facts)
    assert refused.value.fields
    assert not SafetyCheck.of(bench.workshop).exists()


def test_no_connection_fails_the_conductor_and_passes_insulation(bench: Bench, job: Job) -> None:
    begin(bench, job)
    enter(bench, job, "visual", True)
    assert enter(bench, job, "protective-conductor", OPEN).outcome == "fail"
    enter(bench, job, "protective-conductor", 0.2)
    found = enter(bench, job, "insulation", OPEN)
    assert (found.outcome, found.entry) == ("pass", "open")
    assert view(bench, job).entries["insulation"].outcome == "pass"


def test_low_insulation_of_a_strong_heater_is_settled_by_the_current(
    bench: Bench, job: Job
) -> None:
    begin(bench, job, heating_kw=6.0, heating_connected=True)
    go_through(bench, job, [*SOUND[:2], ("insulation", 0.2)])
    assert view(bench, job).entries["insulation"].outcome == "doubtful"
    go_through(bench, job, [("protective-conductor-current", 5.0), *SOUND[4:]])
    assert view(bench, job).status == "passed"


def test_a_safety_relevant_part_makes_it_required_and_the_entry_names_all(
    bench: Bench, job: Job
) -> None:
    assert not view(bench, job).required
    drawer = fit(bench, job, "detergent-drawer")
    assert not view(bench, job).required  # a drawer is none
    heater = fit(bench, job, "heater")
    found = view(bench, job)
    assert found.required
    assert [one.part.ref for one, _ in found.relevant if one.part] == [heater.ref]
    begin(bench, job)
    go_through(bench, job)
    found = view(bench, job)
    assert (found.status, found.reopened) == ("passed", "")
    assert found.check is not None
    assert [row["part_ref"] for row in found.check.fitted] == [drawer.ref, heater.ref]
    row = found.check.fitted[1]
    assert row["donor_ref"] == heater.donor.ref
    assert row["tested_on"] == TODAY.isoformat()
    assert row["tested_by"] == str(bench.technician)
    assert row["test"] == "good: measured on the bench"
    assert row["safety_relevant"] is True
    assert found.entries["record"].entry == "R. Alder"


def test_a_part_without_a_bench_test_is_named_so(bench: Bench, job: Job) -> None:
    fit(bench, job, "detergent-drawer", tested=False)  # a heater is not fitted without its test
    begin(bench, job)
    go_through(bench, job)
    (row,) = view(bench, job).check.fitted
    assert (row["tested_on"], row["test"]) == ("", "")


def test_a_part_fitted_after_the_check_voids_it(bench: Bench, job: Job) -> None:
    begin(bench, job)
    go_through(bench, job)
    assert view(bench, job).status == "passed"
    fit(bench, job, "heater")
    found = view(bench, job)
    assert (found.status, found.entries) == ("not-complete", {})
    assert found.check is not None
    assert found.check.fitted == []
    assert "A part was fitted since" in found.reopened
    assert {one.void_because for one in found.void} == {"a part was fitted"}
    go_through(bench, job)
    found = view(bench, job)
    assert (found.status, found.reopened) == ("passed", "")


@pytest.mark.parametrize("result", [Outcome.Result.WORKED, Outcome.Result.FAILED])
@pytest.mark.parametrize("measured", range(1, 6))
def test_a_part_fitted_between_the_steps_voids_what_was_measured_before(
    bench: Bench, job: Job, measured: int, result: Outcome.Result
) -> None:
    """The record covers no part that was not in the machine when it was measured."""
    begin(bench, job)
    go_through(bench, job, SOUND[:measured])
    fit(bench, job, "heater", result=result)
    step, entry = SOUND[measured]
    with pytest.raises(InputRefused, match="which is not done"):
        enter(bench, job, step, entry)
    found = view(bench, job)
    assert (found.status, len(found.void)) == ("not-complete", measured)
    go_through(bench, job)
    assert view(bench, job).status == "passed"


def test_a_part_that_did_not_fit_voids_nothing(bench: Bench, job: Job) -> None:
    begin(bench, job)
    go_through(bench, job)
    fit(bench, job, "heater", result=Outcome.Result.DID_NOT_FIT)
    assert view(bench, job).status == "passed"


def test_a_check_of_another_job_stands_when_a_part_is_fitted(bench: Bench, job: Job) -> None:
    other = bench.job(needs=[NeedFacts(kind="heater")])
    begin(bench, other)
    go_through(bench, other)
    fit(bench, job, "heater")
    assert view(bench, other).status == "passed"


def test_a_fitted_part_that_failed_since_makes_it_not_complete(bench: Bench, job: Job) -> None:
    heater = fit(bench, job, "heater")
    begin(bench, job)
    go_through(bench, job)
    assert view(bench, job).status == "passed"
    outcome = Outcome.of(bench.workshop).get(part=heater)
    failed_on = TODAY + timedelta(days=9)
    fittings.report_failure(workshop=bench.workshop, outcome_id=outcome.pk, failed_on=failed_on)
    found = view(bench, job)
    assert found.status == "not-complete"
    assert found.reopened == f"A fitted part failed since: {heater.ref}. Begin a new check."
    with pytest.raises(Conflict, match="failed since"):
        enter(bench, job, "record", "R. Alder")
    assert found.check is not None
    assert [row["part_ref"] for row in found.check.fitted] == [heater.ref]  # as it was
    begin(bench, job)
    go_through(bench, job)
    assert view(bench, job).status == "passed"


def test_a_refused_repair_an_unknown_job_and_no_check_are_refused(
    bench: Bench, other_bench: Bench, job: Job
) -> None:
    with pytest.raises(Conflict, match="no safety check was begun"):
        enter(bench, job, "visual", True)
    with pytest.raises(NotFound):
        begin(other_bench, job)
    bench.refuse(job.ref, now=NOW)
    with pytest.raises(Conflict, match="refused by the customer"):
        begin(bench, job)


@pytest.mark.parametrize(
    "suspect", ["wiring", "heater", "mains-filter", "mains-cord", "control-board"]
)
def test_a_job_done_by_what_was_found_owes_its_check(bench: Bench, suspect: str) -> None:
    job = bench.job(needs=[], symptom="does not heat")
    assert not view(bench, job).is_owed
    closing.say_found(
        workshop=bench.workshop, ref=job.ref, suspect=suspect, member=bench.technician, now=NOW
    )
    closed = Job.of(bench.workshop).get(pk=job.pk)
    found = safety_of(bench.workshop, closed)
    assert found.is_owed
    assert len(found.opened_for) == 1
    begin(bench, closed)
    go_through(bench, closed)
    assert not safety_of(bench.workshop, closed).is_owed


@pytest.mark.parametrize(
    ("check", "owed"),
    [("washing-machine:filter-clear", False), ("washing-machine:belt-look", True)],
)
def test_a_check_that_opened_the_machine_owes_it(bench: Bench, check: str, owed: bool) -> None:
    job = bench.job(needs=[], symptom="does not drain")
    who: dict[str, Any] = {"workshop": bench.workshop, "member": bench.technician, "now": NOW}
    answers.answer_check(ref=job.ref, check=check, answer="good", **who)
    closing.say_found(ref=job.ref, suspect="blockage", **who)
    assert safety_of(bench.workshop, Job.of(bench.workshop).get(pk=job.pk)).is_owed is owed
