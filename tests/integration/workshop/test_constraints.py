"""The database itself refuses nonsense: each row here goes past every service, in raw writes."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, transaction
from django.db.models import ForeignKey

from donors.models import Donor
from matching.models import (
    Alert,
    Hold,
    Job,
    LearnedWeights,
    Match,
    Need,
    Outcome,
    Rule,
    RuleEntry,
    SafetyCheck,
    SafetyEntry,
)
from parts.models import (
    BenchTest,
    Interchange,
    Part,
    PartNumber,
    Photo,
    Sighting,
    StepRecord,
    StepSpan,
    SurvivalPrior,
    WorkshopStep,
)
from tests.factories import NOW, TODAY, Bench
from workshop import integrity
from workshop.models import (
    Certificate,
    KeptReply,
    Member,
    OutboxEvent,
    Replay,
    SweepPulse,
    Workshop,
)
from workshop.scoping import UnscopedQuery, WorkshopOwned

pytestmark = pytest.mark.django_db


def interval(model: type, **more: object) -> Callable[[Bench], object]:
    def change(bench: Bench) -> object:
        return model.objects.of(bench.workshop).update(
            built_from=date(2020, 1, 2), built_to=date(2020, 1, 1), **more
        )

    return change


def grade_without_test(bench: Bench) -> object:
    return Part.of(bench.workshop).update(grade="tested-good")


def second_hold(bench: Bench) -> object:
    part, need = Part.of(bench.workshop).first(), Need.of(bench.workshop).first()
    times = {"held_at": NOW, "expires_at": NOW + timedelta(days=1)}
    for _ in range(2):
        Hold.objects.create(
            workshop=bench.workshop, part=part, need=need, held_by=bench.technician, **times
        )
    return None


def hold_that_ends_without_a_reason(bench: Bench) -> object:
    hold = Hold.objects.create(
        workshop=bench.workshop,
        part=Part.of(bench.workshop).first(),
        need=Need.of(bench.workshop).first(),
        held_by=bench.technician,
        held_at=NOW,
        expires_at=NOW + timedelta(days=1),
    )
    return Hold.of(bench.workshop).filter(pk=hold.pk).update(released_at=NOW)


def number(bench: Bench, text: str) -> PartNumber:
    return PartNumber.objects.create(
        workshop=bench.workshop, kind_id="heater", number=text, canonical=text
    )


def interchange_with_itself(bench: Bench) -> object:
    one = number(bench, "A1")
    return Interchange.objects.create(
        workshop=bench.workshop, kind_id="heater", from_number=one, to_number=one
    )


def rule_decided_by_nobody(bench: Bench) -> object:
    return Rule.objects.create(
        workshop=bench.workshop, kind_id="heater", says="fits", state="approved"
    )


def rule_without_its_conditions(bench: Bench) -> object:
    return Rule.objects.create(
        workshop=bench.workshop, kind_id="heater", says="fits-with-conditions"
    )


def evidence_with_a_proposer(bench: Bench) -> object:
    return Rule.objects.create(
        workshop=bench.workshop,
        kind_id="heater",
        says="fits",
        basis="x",
        proposed_by=bench.technician,
    )


def evidence_proposed_twice(bench: Bench) -> object:
    for _ in range(2):
        Rule.objects.create(workshop=bench.workshop, kind_id="heater", says="fits", basis="x")
    return None


def safety_check(bench: Bench, **values: object) -> SafetyCheck:
    job = Job.of(bench.workshop).first()
    stated = {"protection_class": "I", "begun_by": bench.technician, "begun_at": NOW, **values}
    found: SafetyCheck = SafetyCheck.objects.create(workshop=bench.workshop, job=job, **stated)
    return found


def safety_step(bench: Bench, check: SafetyCheck, **values: object) -> SafetyEntry:
    stated = {"step": "visual", "place": 0, "entry": True, "outcome": "pass", **values}
    found: SafetyEntry = SafetyEntry.objects.create(
        workshop=bench.workshop, check_run=check, by=bench.technician, at=NOW, **stated
    )
    return found


def safety_step_twice(bench: Bench) -> object:
    check = safety_check(bench)
    return [safety_step(bench, check) for _ in range(2)]


def void_without_a_reason(bench: Bench) -> object:
    return safety_step(bench, safety_check(bench), voided_at=NOW)


def approval_by_nobody(bench: Bench) -> object:
    rule = Rule.objects.create(workshop=bench.workshop, kind_id="heater", says="fits")
    return RuleEntry.objects.create(workshop=bench.workshop, rule=rule, act="approved", at=NOW)


def one_key_twice(bench: Bench) -> object:
    for _ in range(2):
        KeptReply.objects.create(workshop=bench.workshop, key="k", fingerprint="f")
    return None


def outcome_with_days_that_worked(bench: Bench) -> object:
    return Outcome.objects.create(
        workshop=bench.workshop,
        kind_id="heater",
        fitted_on=TODAY,
        result="worked",
        days_to_failure=3,
        fingerprint="x",
    )


def match_beyond_certainty(bench: Bench) -> object:
    return Match.objects.create(
        workshop=bench.workshop,
        need=Need.of(bench.workshop).first(),
        part=Part.of(bench.workshop).first(),
        verdict="same-part",
        score_bits=1,
        p_fit=1.2,
        p_good=0.5,
        worth=0.6,
        scored_at=NOW,
    )


def alert_of(bench: Bench, **values: object) -> object:
    part, need = Part.of(bench.workshop).first(), Need.of(bench.workshop).first()
    stated = {
        "job": need.job,
        "arrival": part.arrival,
        "need": need,
        "part": part,
        "summary": "x",
        "verdict": "same-part",
        "p_fit": 1,
        "p_good": 1,
        "told_at": NOW,
    }
    return Alert.objects.create(
        workshop=bench.workshop, recipient=bench.technician, **{**stated, **values}
    )


def news_of_job(bench: Bench, **values: object) -> object:
    nothing = dict.fromkeys(("arrival", "need", "part", "p_fit", "p_good"))
    stated = {**nothing, "verdict": "", "news": Alert.News.REVIEW, "about": "2026-05-01"}
    return alert_of(bench, **{**stated, **values})


def record_of(bench: Bench, **values: object) -> object:
    donor = Donor.of(bench.workshop).first()
    stated = {"step": "lid-off", "done_on": TODAY, "done_at": NOW, "done_by": bench.technician}
    return StepRecord.objects.create(
        workshop=bench.workshop,
        donor=donor,
        appliance_id=donor.appliance_id,
        **{**stated, **values},
    )


def two_timers_at_once(bench: Bench) -> object:
    donor = Donor.of(bench.workshop).first()
    for step in ("lid-off", "rear-cover-off"):
        StepSpan.objects.create(
            workshop=bench.workshop,
            donor=donor,
            step=step,
            member=bench.technician,
            started_at=NOW,
        )
    return None


def under(bench: Bench, **certificate: object) -> dict[str, object]:
    row = bench.certificate(**certificate)
    return {"certificate": row, "certificate_until": row.valid_until}


STRIPPING: dict[str, Callable[[Bench], object]] = {
    "two timers of one member on one donor": two_timers_at_once,
    "timer that runs backwards": lambda b: StepSpan.objects.create(
        workshop=b.workshop,
        donor=Donor.of(b.workshop).first(),
        step="lid-off",
        member=b.technician,
        started_at=NOW,
        stopped_at=NOW - timedelta(minutes=1),
    ),
    "step recorded twice": lambda b: [record_of(b), record_of(b)],
    "step that came nobody knows how": lambda b: record_of(b, came="perhaps"),
    "heavy step done alone": lambda b: record_of(b, needs_two=True),
    "heavy step done with oneself": lambda b: record_of(
        b, needs_two=True, second_person=b.technician
    ),
    "licensed step without a certificate": lambda b: record_of(b, licence="gas"),
    "licensed step with a certificate of no date": lambda b: record_of(
        b, licence="gas", certificate=b.certificate(kind="gas")
    ),
    "licensed step under an expired certificate": lambda b: record_of(
        b, licence="gas", **under(b, kind="gas", valid_until=TODAY - timedelta(days=1))
    ),
    "licensed step left out as not needed": lambda b: record_of(
        b, licence="gas", came="not-needed"
    ),
    "negative minutes": lambda b: record_of(b, said_min=-1),
    "certificate for nothing known": lambda b: (
        b.certificate() and Certificate.of(b.workshop).update(kind="juggling")
    ),
    "certificate without a number": lambda b: (
        b.certificate() and Certificate.of(b.workshop).update(number="")
    ),
    "own step of negative minutes": lambda b: WorkshopStep.objects.create(
        workshop=b.workshop, appliance_id="washing-machine", slug="lid-off", minutes=-1
    ),
    "work at a negative price": lambda b: Workshop.objects.update(strip_rate_per_min=-1),
}


NONSENSE: dict[str, Callable[[Bench], object]] = {
    "donor built backwards": interval(Donor),
    "job built backwards": interval(Job),
    "sighting built backwards": interval(Sighting),
    "job waits backwards": lambda b: Job.of(b.workshop).update(wait_until=date(2000, 1, 1)),
    "grade without a test": grade_without_test,
    "part in machine without a machine": lambda b: Part.of(b.workshop).update(donor=None),
    "two parts in one place": lambda b: Part.of(b.workshop).update(kind="heater"),
    "unknown grade": lambda b: Part.of(b.workshop).update(grade="fine"),
    "unknown part state": lambda b: Part.of(b.workshop).update(state="lost"),
    "unknown donor state": lambda b: Donor.of(b.workshop).update(state="lost"),
    "unknown need state": lambda b: Need.of(b.workshop).update(state="maybe"),
    "unknown role": lambda b: Member.of(b.workshop).update(role="king"),
    "same reference twice": lambda b: Part.of(b.workshop).update(ref="P-1"),
    "two holds on one part": second_hold,
    "hold that ends without a reason": hold_that_ends_without_a_reason,
    "interchange with itself": interchange_with_itself,
    "rule decided by nobody": rule_decided_by_nobody,
    "rule without its conditions": rule_without_its_conditions,
    "rule from evidence with a proposer": evidence_with_a_proposer,
    "one proposal from evidence open twice": evidence_proposed_twice,
    "approval by nobody": approval_by_nobody,
    "one key for two replies": one_key_twice,
    "days to failure of what worked": outcome_with_days_that_worked,
    "odds above one": match_beyond_certainty,
    "the same alert twice": lambda b: [alert_of(b), alert_of(b)],
    "an alert of no job": lambda b: alert_of(b, job=None),
    "a find without a part": lambda b: alert_of(b, part=None),
    "a find without odds": lambda b: alert_of(b, p_fit=None),
    "news of a job twice": lambda b: [news_of_job(b), news_of_job(b)],
    "news of a job that names a need": lambda b: news_of_job(b, need=Need.of(b.workshop).first()),
    "news of a job that says no day": lambda b: news_of_job(b, about=""),
    "survival above 100 %": lambda b: SurvivalPrior.objects.update(percent=101),
    "event done and dead": lambda b: OutboxEvent.of(b.workshop).update(done_at=NOW, dead_at=NOW),
    "lease without an end": lambda b: OutboxEvent.of(b.workshop).update(
        lease="00000000-0000-4000-8000-000000000001"
    ),
    "event tried again before it was given up on": lambda b: Replay.objects.create(
        workshop=b.workshop, event=b.dead_letter(), at=NOW, gave_up_at=NOW + timedelta(days=1)
    ),
    "two rows of the sweep": lambda b: SweepPulse.objects.create(id=2, ended_at=NOW),
    "two safety checks in force": lambda b: [safety_check(b), safety_check(b)],
    "safety step that stands twice": safety_step_twice,
    "void safety step without a reason": void_without_a_reason,
    "safety class nobody knows": lambda b: safety_check(b, protection_class="IV"),
    "alert threshold above one": lambda b: Workshop.objects.update(alert_from_p_fit=2),
    "test verdict nobody knows": lambda b: BenchTest.objects.create(
        workshop=b.workshop,
        part=Part.of(b.workshop).first(),
        tested_on=TODAY,
        verdict="lovely",
        method="look",
    ),
}


NONSENSE |= STRIPPING


@pytest.mark.parametrize("name", NONSENSE)
def test_the_database_refuses(name: str, bench: Bench) -> None:
    bench.donor()
    bench.need(part_number="BRD-1")
    with pytest.raises(IntegrityError), transaction.atomic():
        NONSENSE[name](bench)


def test_a_part_cannot_sit_in_another_workshop_s_donor(bench: Bench, other_bench: Bench) -> None:
    theirs = other_bench.donor()
    with pytest.raises(IntegrityError, match="another workshop"), transaction.atomic():
        Part.objects.create(
            workshop=bench.workshop, ref="P-X", short_code="X", donor=theirs, kind_id="heater"
        )
    mine = bench.donor()
    with pytest.raises(IntegrityError, match="another workshop"), transaction.atomic():
        Part.of(bench.workshop).filter(donor=mine, kind="heater").update(donor=theirs)


def test_a_row_cannot_move_to_another_workshop(bench: Bench, other_bench: Bench) -> None:
    donor = bench.donor()
    with pytest.raises(IntegrityError, match="cannot move"), transaction.atomic():
        Donor.of(bench.workshop).filter(pk=donor.pk).update(workshop=other_bench.workshop)


def owned_references() -> list[tuple[type, ForeignKey]]:
    return [
        (model, field)
        for model in apps.get_models()
        if issubclass(model, WorkshopOwned)
        for field in model._meta.concrete_fields
        if isinstance(field, ForeignKey) and issubclass(field.related_model, WorkshopOwned)
    ]


def test_every_reference_between_private_rows_has_its_trigger(db: None) -> None:
    """Counted from the models, so a new foreign key without a trigger fails here."""
    wanted = {
        (model._meta.db_table, field.column, field.related_model._meta.db_table)
        for model, field in owned_references()
    }
    assert {(r.table, r.column, r.parent) for r in integrity.references()} == wanted
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        else:
            cursor.execute("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal")
        names = {name for (name,) in cursor.fetchall()}
    per_reference = 2 if connection.vendor == "sqlite" else 1
    ours = {name for name in names if name.startswith(integrity.PREFIX)}
    assert len(ours) == per_reference * len(wanted) + len(integrity.owned_models())


@pytest.mark.parametrize(
    ("model", "field"), owned_references(), ids=lambda value: getattr(value, "name", None)
)
def test_no_foreign_key_crosses_workshops(
    model: type, field: ForeignKey, bench: Bench, other_bench: Bench
) -> None:
    """For every reference: point a row of ours at a row of theirs in raw SQL."""
    for one in (bench, other_bench):
        _furnish(one)
    theirs = field.related_model.objects.of(other_bench.workshop).values_list("pk", flat=True)[0]
    row = model.objects.of(bench.workshop).filter(**{f"{field.name}__isnull": False}).first()
    row = row or model.objects.of(bench.workshop).first()
    assert row is not None, f"_furnish makes no {model.__name__}"
    with pytest.raises(IntegrityError, match="another workshop"), transaction.atomic():
        model.objects.of(bench.workshop).filter(pk=row.pk).update(**{field.name: theirs})


def _furnish(bench: Bench) -> None:
    """Give a workshop at least one row of every private model."""
    from donors import services as donor_services
    from matching import fittings, holds, ruling
    from parts import numbers
    from parts import services as part_services

    donor_services.add_model_number(
        workshop=bench.workshop,
        make=bench.makes["Borsund"],
        number="BX 10",
        aliases=["Old BX"],
    )
    Replay.objects.create(
        workshop=bench.workshop,
        event=bench.dead_letter(dead_at=None, done_at=NOW),
        member=bench.technician,
        at=NOW,
        gave_up_at=NOW,
    )
    part = bench.part(bench.donor())
    plug = {"connector": "plug-2"}  # an attribute that parts are found by
    need = bench.need(part_number="BRD-1", technician=bench.technician, attributes=plug)
    bench.need("W7-60 R1 S")  # keeps its match when the other's part turns out not to fit
    part_services.record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict.GOOD,
        method="run in the machine",
        tested_on=TODAY,
        tested_by=bench.technician,
    )
    bench.drain()
    numbers.add_interchange(
        workshop=bench.workshop, kind="heater", from_number="H1", to_number="H2"
    )
    bench.build_break()
    bench.sister_warning(part.donor)
    safety_step(bench, safety_check(bench))
    bench.licensed_record(bench.donor("W7-60 R1 S"))
    for shown in ({"donor": part.donor}, {"part": part}):
        size = {"width": 4, "height": 3, "size_bytes": 9}
        Photo.objects.create(
            workshop=bench.workshop, taken_by=bench.technician, kept_at=NOW, **size, **shown
        )
    LearnedWeights.objects.create(
        workshop=bench.workshop,
        learned={},
        outcomes=100,
        loss_before=0.5,
        loss_after=0.4,
        loss_error=0.01,
        accepted_by=bench.members["owner"],
        accepted_at=NOW,
    )
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    report = fittings.Report(result=Outcome.Result.DID_NOT_FIT, fitted_on=TODAY)
    fittings.report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)
    ruling.propose_rule(
        workshop=bench.workshop,
        statement=ruling.Statement(
            kind="heater",
            says="fits",
            job_side={"family": "W7"},
            replaces=_approved_rule(bench).pk,
        ),
        member=bench.technician,
        now=NOW,
    )


def _approved_rule(bench: Bench) -> Rule:
    return Rule.objects.create(
        workshop=bench.workshop,
        kind_id="heater",
        says="fits",
        state="approved",
        proposed_by=bench.technician,
        decided_by=bench.technician,
        decided_at=NOW,
    )


@pytest.mark.parametrize("model", [m for m in apps.get_models() if issubclass(m, WorkshopOwned)])
def test_a_query_that_names_no_workshop_is_refused(model: type) -> None:
    for ask in (lambda: model.objects.all(), lambda: model.objects.filter(pk=1)):
        with pytest.raises(UnscopedQuery):
            ask()


def test_alerts_as_they_should_be_are_taken(bench: Bench) -> None:
    """Else the refusals of alerts above would prove nothing."""
    bench.donor()
    bench.need(part_number="BRD-1")
    alert_of(bench)
    news_of_job(bench)
    news_of_job(bench, about="2026-05-15")
    news_of_job(bench, news=Alert.News.OVER)
