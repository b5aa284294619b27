"""The database itself refuses nonsense: each row here goes past every service, in raw writes."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, transaction
from django.db.models import ForeignKey

from donors.models import Donor, DonorChange, Listing, ListingKey, ListingSighting
from matching.echo import choices
from matching.echo.choices import Choices, KindChoice
from matching.faults import closing, editing
from matching.models import (
    Alert,
    Delivery,
    Hold,
    Job,
    JobChange,
    JobEstimate,
    KeepPermission,
    KeptBack,
    KeptMachine,
    LastAllocation,
    LearnedWeights,
    ListingMatch,
    Match,
    Need,
    NewMachinePrice,
    NewPartQuote,
    Outcome,
    OwnRule,
    Rule,
    RuleEntry,
    SafetyCheck,
    SafetyEntry,
    TriageFigures,
    WaitExtension,
    WarrantyDays,
    WorkshopCheck,
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
    FileImport,
    Invitation,
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


def keep_permission(bench: Bench, **values: object) -> KeepPermission:
    job = Job.of(bench.workshop).first()
    stated = {"may_keep": True, "said_by": "owner", "how": "signed", "said_on": TODAY, **values}
    found: KeepPermission = KeepPermission.objects.create(
        workshop=bench.workshop, job=job, noted_by=bench.technician, noted_at=NOW, **stated
    )
    return found


def kept_twice(bench: Bench) -> object:
    """One machine, two donors."""
    permission = keep_permission(bench)
    donors = [bench.donor(), bench.donor()]
    return [
        KeptMachine.objects.create(
            workshop=bench.workshop,
            job=permission.job,
            donor=donor,
            permission=permission,
            kept_by=bench.technician,
            kept_at=NOW,
        )
        for donor in donors
    ]


def wait_extension(bench: Bench, days: int = 30, **values: object) -> WaitExtension:
    stated = {"before": TODAY, "until": TODAY + timedelta(days=days), "extended_on": TODAY}
    found: WaitExtension = WaitExtension.objects.create(
        workshop=bench.workshop,
        job=Job.of(bench.workshop).first(),
        by=bench.technician,
        at=NOW,
        **{**stated, **values},
    )
    return found


def quote(bench: Bench, **values: object) -> NewPartQuote:
    need = Need.of(bench.workshop).first()
    found: NewPartQuote = NewPartQuote.objects.create(workshop=bench.workshop, need=need, **values)
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


def own_check(b: Bench, **values: object) -> WorkshopCheck:
    stated: dict[str, object] = {
        "slug": "washing-machine:x",
        "appliance_id": "washing-machine",
        "changed_at": NOW,
        "do": "Listen.",
        "finds": "it hums",
        "clear": "it does not",
        "minutes": 2,
        "otherwise": 0.05,
    }
    found: WorkshopCheck = WorkshopCheck.objects.create(workshop=b.workshop, **{**stated, **values})
    return found


OWN_CHECKS: dict[str, Callable[[Bench], object]] = {
    "own check twice": lambda b: [own_check(b), own_check(b)],
    "own check without minutes": lambda b: own_check(b, minutes=None),
    "own check of negative minutes": lambda b: own_check(b, minutes=-2),
    "own check without an answer that finds": lambda b: own_check(b, finds=""),
    "own check without an answer that clears": lambda b: own_check(b, clear=""),
    "own check without a chance": lambda b: own_check(b, otherwise=None),
    "own check of chance 1": lambda b: own_check(b, otherwise=1),
    "own check of chance 0": lambda b: own_check(b, otherwise=0),
    "answers of a check without words": lambda b: own_check(b, do=""),
}


NONSENSE: dict[str, Callable[[Bench], object]] = {
    **OWN_CHECKS,
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
    "import stored at no moment": lambda b: (
        FileImport.of(b.workshop).filter(pk=b.file_import().pk).update(state="stored")
    ),
    "two rows of the sweep": lambda b: SweepPulse.objects.create(id=2, ended_at=NOW),
    "two safety checks in force": lambda b: [safety_check(b), safety_check(b)],
    "safety step that stands twice": safety_step_twice,
    "two answers in force": lambda b: [keep_permission(b), keep_permission(b)],
    "answer by pigeon": lambda b: keep_permission(b, how="pigeon"),
    "one machine kept twice": kept_twice,
    "wait changed to the same day": lambda b: wait_extension(b, 0),
    "wait that ends before it was changed": lambda b: wait_extension(b, -1),
    "change of nothing": lambda b: JobChange.objects.create(
        workshop=b.workshop, job=Job.of(b.workshop).first(), what="", at=NOW
    ),
    "mistaken need that is open": lambda b: Need.of(b.workshop).update(mistaken=True),
    "quote for what is not to be had": lambda b: quote(b, not_to_be_had=True, days=3),
    "age of a job below zero": lambda b: JobEstimate.objects.create(
        workshop=b.workshop, job=Job.of(b.workshop).first(), age_years=-1
    ),
    "new machine for nothing": lambda b: NewMachinePrice.objects.create(
        workshop=b.workshop, appliance_id="dishwasher", price_cents=0
    ),
    "figures twice": lambda b: [
        TriageFigures.objects.create(workshop=b.workshop) for _ in range(2)
    ],
    "rule of thumb without end": lambda b: OwnRule.objects.create(
        workshop=b.workshop, slug="share-young", figure=1e6, advises="repair"
    ),
    "reviews in the wrong order": lambda b: Workshop.objects.update(
        first_review_days=30, second_review_days=20
    ),
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


def listing_as(b: Bench, **values: object) -> object:
    listing = b.listing()
    return Listing.of(b.workshop).filter(pk=listing.pk).update(**values)


def listing_match_of(b: Bench, **values: object) -> object:
    stated = dict.fromkeys(("p_fit", "p_fit_if_said", "p_good", "worth"), 0.5)
    return ListingMatch.objects.create(
        workshop=b.workshop,
        need=Need.of(b.workshop).first(),
        kind_id="control-board",
        verdict="likely-fits",
        scored_at=NOW,
        **{"listing": b.listing(), **stated, **values},
    )


def same_ref(b: Bench) -> object:
    other = b.listing("Borsund dishwasher BX 9, dead. £9")
    return listing_as(b, ref=other.ref)


def same_link(b: Bench) -> object:
    b.listing("Borsund dishwasher BX 9, dead. £9", link="https://example.org/9")
    taken = Listing.of(b.workshop).exclude(link_key="").get().link_key
    return listing_as(b, link_key=taken)


def same_listing_key(b: Bench) -> object:
    listing = b.listing()
    return [
        ListingKey.objects.create(workshop=b.workshop, listing=listing, key=3) for _ in range(2)
    ]


def seen_as(b: Bench, source: str) -> object:
    return ListingSighting.objects.create(
        workshop=b.workshop, listing=b.listing(), seen_on=TODAY, source=source
    )


LISTINGS: dict[str, Callable[[Bench], object]] = {
    "listing's ref twice": same_ref,
    "listing's link twice": same_link,
    "listing bought without a donor": lambda b: listing_as(
        b, state="bought", closed_on=TODAY, paid_cents=5
    ),
    "listing bought for nothing said": lambda b: listing_as(
        b, state="bought", closed_on=TODAY, donor=Donor.of(b.workshop).first()
    ),
    "listing for sale that is a donor": lambda b: listing_as(b, donor=Donor.of(b.workshop).first()),
    "listing for sale that was paid": lambda b: listing_as(b, paid_cents=5),
    "listing of a state nobody knows": lambda b: listing_as(b, state="lost", closed_on=TODAY),
    "listing gone on no day": lambda b: listing_as(b, state="gone"),
    "listing for sale that ended": lambda b: listing_as(b, closed_on=TODAY),
    "listing whose price runs down": lambda b: listing_as(b, price_cents=5, price_low_cents=9),
    "listing with half a price": lambda b: listing_as(b, price_cents=None, price_low_cents=9),
    "listing of a price below zero": lambda b: listing_as(b, price_cents=-1, price_low_cents=-2),
    "listing fetched for less than nothing": lambda b: listing_as(b, collection_cents=-1),
    "listing with a margin above all": lambda b: listing_as(b, margin_percent=101),
    "listing with a margin below none": lambda b: listing_as(b, margin_percent=-1),
    "listing last seen before it was seen": lambda b: listing_as(
        b, last_seen_on=TODAY - timedelta(days=1)
    ),
    "listing over before it was seen": lambda b: listing_as(
        b, expires_on=TODAY - timedelta(days=1)
    ),
    "listing without words": lambda b: listing_as(b, text=""),
    "listing without a title": lambda b: listing_as(b, title=""),
    "listing from hearsay": lambda b: listing_as(b, source="hearsay"),
    "listing surer than sure": lambda b: listing_as(b, certainty=1.5),
    "listing built backwards": lambda b: listing_as(
        b, built_from=TODAY, built_to=TODAY - timedelta(days=1)
    ),
    "sighting of a listing from hearsay": lambda b: seen_as(b, "hearsay"),
    "key of a listing twice": same_listing_key,
    "listing serves a need beyond certainty": lambda b: listing_match_of(b, p_fit=1.5),
    "listing serves a need less than never": lambda b: listing_match_of(b, p_good=-0.1),
    "listing would serve beyond certainty": lambda b: listing_match_of(b, p_fit_if_said=2),
    "listing serves a need twice": lambda b: [
        listing_match_of(b, listing=one) for one in [b.listing()] * 2
    ],
    "terms of listings beyond a year": lambda b: Workshop.objects.update(listing_days=9999),
    "terms of listings with a margin above all": lambda b: Workshop.objects.update(
        listing_margin_percent=101
    ),
}
NONSENSE |= LISTINGS


def proposal_of(bench: Bench, **values: object) -> object:
    part, need = Part.of(bench.workshop).first(), Need.of(bench.workshop).first()
    return bench.proposal(part, need, **values)


def keeping(bench: Bench, **values: object) -> object:
    stated = {"part": Part.of(bench.workshop).first(), "note": "x", "by": bench.technician}
    return KeptBack.objects.create(workshop=bench.workshop, at=NOW, **{**stated, **values})


def warranty_of(bench: Bench, **values: object) -> object:
    return WarrantyDays.objects.create(workshop=bench.workshop, **values)


SHARING: dict[str, Callable[[Bench], object]] = {
    "a proposal twice": lambda b: [proposal_of(b), proposal_of(b)],
    "a proposal declined by nobody": lambda b: proposal_of(
        b, state="declined", ended_at=NOW, note="x"
    ),
    "a proposal declined for no reason": lambda b: proposal_of(
        b, state="declined", ended_at=NOW, ended_by=b.technician
    ),
    "a proposal that ended at no time": lambda b: proposal_of(b, state="lapsed"),
    "a proposal over before it began": lambda b: proposal_of(b, expires_at=NOW),
    "a proposal of unknown state": lambda b: proposal_of(b, state="maybe", ended_at=NOW),
    "a proposal likelier than certain": lambda b: proposal_of(b, p_good=1.1),
    "an open proposal reopened": lambda b: proposal_of(b, reopened_at=NOW),
    "nothing kept out": lambda b: keeping(b, part=None),
    "kept out for no reason": lambda b: keeping(b, note=""),
    "kept out twice": lambda b: [keeping(b), keeping(b)],
    "kept out, undone by nobody": lambda b: keeping(b, undone_at=NOW),
    "more completed than can be": lambda b: LastAllocation.objects.create(
        workshop=b.workshop, completed=2, at_most=1
    ),
    "two last allocations": lambda b: [
        LastAllocation.objects.create(workshop=b.workshop) for _ in range(2)
    ],
    "warranty of nothing": lambda b: warranty_of(b, days=9),
    "warranty of a grade that is none": lambda b: warranty_of(b, grade="scrap", days=9),
    "warranty of a grade twice": lambda b: [
        warranty_of(b, grade="untested", days=n) for n in (1, 2)
    ],
    "warranty of eleven years": lambda b: warranty_of(b, grade="untested", days=4000),
    "warranty on a part still here": lambda b: Part.of(b.workshop).update(warranty_until=TODAY),
    "urgent for no reason": lambda b: Job.of(b.workshop).update(urgency=1),
    "thrice urgent": lambda b: Job.of(b.workshop).update(
        urgency=3, urgency_why="x", urgency_by=b.technician, urgency_at=NOW
    ),
    "why it did not fit though it worked": lambda b: b.outcome(
        Part.of(b.workshop).first(), why="size"
    ),
    "proposals that stand for no time": lambda b: Workshop.objects.update(proposal_hours=0),
}
NONSENSE |= SHARING


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


def test_no_foreign_key_crosses_workshops(bench: Bench, other_bench: Bench) -> None:
    """For every reference: point a row of ours at a row of theirs in raw SQL."""
    for one in (bench, other_bench):
        _furnish(one)
    let_through = [
        f"{model.__name__}.{field.name}"
        for model, field in owned_references()
        if not _refused(model, field, bench, other_bench)
    ]
    assert let_through == []


def _refused(model: type, field: ForeignKey, bench: Bench, other_bench: Bench) -> bool:
    theirs = field.related_model.objects.of(other_bench.workshop).values_list("pk", flat=True)[0]
    rows = model.objects.of(bench.workshop)
    row = rows.filter(**{f"{field.name}__isnull": False}).first() or rows.first()
    assert row is not None, f"_furnish makes no {model.__name__}"
    try:
        with transaction.atomic():
            rows.filter(pk=row.pk).update(**{field.name: theirs})
    except IntegrityError as refused:
        return "another workshop" in str(refused)
    return False


def _furnish(bench: Bench) -> None:
    """Give a workshop at least one row of every private model."""
    from donors import services as donor_services
    from matching import fittings, holds, looking_for, ruling
    from parts import numbers
    from parts import services as part_services

    donor_services.add_model_number(
        workshop=bench.workshop,
        make=bench.makes["Borsund"],
        number="BX 10",
        aliases=["Old BX"],
    )
    bench.file_import()
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
    looking_for.work_off(bench.workshop, now=NOW)
    numbers.add_interchange(
        workshop=bench.workshop, kind="heater", from_number="H1", to_number="H2"
    )
    bench.build_break()
    bench.api_token()
    bench.customer(need.job)
    used, _ = bench.invitation()
    Invitation.of(bench.workshop).filter(pk=used.pk).update(used_at=NOW, used_by=bench.technician)
    bench.sister_warning(part.donor)
    safety_step(bench, safety_check(bench))
    _furnish_faults(bench, need.job)
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
    LastAllocation.objects.unscoped().get_or_create(workshop=bench.workshop)
    _furnish_listing(bench, need)
    WarrantyDays.objects.create(workshop=bench.workshop, grade="untested", days=14)
    bench.proposal(bench.part(part.donor, "heater"), bench.need(kind="heater"))
    bench.kept_back(part, need)
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    alert = Alert.of(bench.workshop).first()
    assert alert is not None
    bench.delivery(bench.webhook(), alert)
    _mail(bench)
    report = fittings.Report(
        result=Outcome.Result.DID_NOT_FIT, fitted_on=TODAY, why=Outcome.Why.SIZE
    )
    fittings.report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)
    kept = keep_permission(bench)
    KeptMachine.objects.create(
        workshop=bench.workshop,
        job=kept.job,
        donor=part.donor,
        permission=kept,
        kept_by=bench.technician,
        kept_at=NOW,
    )
    wait_extension(bench)
    JobChange.objects.create(
        workshop=bench.workshop, job=need.job, what="symptom", by=bench.technician, at=NOW
    )
    DonorChange.objects.create(
        workshop=bench.workshop, donor=part.donor, what="note", by=bench.technician, at=NOW
    )
    JobEstimate.objects.create(workshop=bench.workshop, job=need.job)
    NewPartQuote.objects.create(workshop=bench.workshop, need=need)
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


def _furnish_listing(bench: Bench, need: Need) -> None:
    """Give a workshop a machine for sale elsewhere that may serve a need."""
    listing = bench.listing(link="https://example.org/1")
    odds = dict.fromkeys(("p_fit", "p_fit_if_said", "p_good", "worth"), 0.5)
    ListingMatch.of(bench.workshop).update_or_create(
        workshop=bench.workshop,
        listing=listing,
        need=need,
        defaults={"kind_id": need.kind_id, "verdict": "likely-fits", "scored_at": NOW, **odds},
    )


def _furnish_faults(bench: Bench, job: Job) -> None:
    """Give a workshop rows of its own table of faults, and a job whose fault is known."""
    reviewer = {"workshop": bench.workshop, "member": bench.members["reviewer"], "now": NOW}
    faults = bench.faults(job)
    editing.set_check(slug=faults.answer.check_slug, minutes=4, hidden=False, **reviewer)
    closed = bench.job(needs=[], symptom="does not drain")
    closing.say_found(ref=closed.ref, suspect="blockage", **reviewer)


def _mail(bench: Bench) -> None:
    chosen = Choices(kinds={"found": KindChoice()})
    choices.save_choices(member=bench.technician, choices=chosen, now=NOW)
    Delivery.objects.create(
        workshop=bench.workshop, channel="mail", member=bench.technician, made_at=NOW
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


def test_listings_as_they_should_be_are_taken(bench: Bench) -> None:
    """Else the refusals of listings above would prove nothing."""
    bench.donor()
    bench.need()
    listing_as(bench, price_cents=9, price_low_cents=5, margin_percent=100, collection_cents=0)
    listing_as(bench, state="gone", closed_on=TODAY)
    donor = Donor.of(bench.workshop).get()
    listing_as(bench, state="bought", closed_on=TODAY, donor=donor, paid_cents=0)
    listing_match_of(bench)
    seen_as(bench, "feed")


def test_own_checks_as_they_should_be_are_taken(bench: Bench) -> None:
    """Else the refusals of own checks above would prove nothing."""
    own_check(bench)
    own_check(
        bench, slug="washing-machine:y", do="", finds="", clear="", otherwise=None, minutes=None
    )


def test_shares_as_they_should_be_are_taken(bench: Bench) -> None:
    """Else the refusals of proposals, warranty and the like above would prove nothing."""
    bench.donor()
    bench.need(part_number="BRD-1")
    proposal_of(bench, state="declined", ended_at=NOW, ended_by=bench.technician, note="x")
    proposal_of(bench)
    keeping(bench)
    LastAllocation.objects.unscoped().update_or_create(
        workshop=bench.workshop, defaults={"completed": 1, "at_most": 1}
    )
    warranty_of(bench, grade="untested", days=9)
    bench.outcome(Part.of(bench.workshop).first(), result="did-not-fit", why="size")
    Job.of(bench.workshop).update(
        urgency=2, urgency_why="x", urgency_by=bench.technician, urgency_at=NOW
    )
