"""Every API route, asked by a stranger, by nobody, and with another workshop's things."""

from typing import Any

import pytest
from django.urls import get_resolver
from rest_framework.test import APIClient

from config import api_urls
from matching import holds, ruling
from matching.models import Alert, Hold, Outcome
from tests.factories import NOW, Bench
from tests.integration.api.test_journey import DONOR, JOB

pytestmark = pytest.mark.django_db

# Routes about no single thing: (body to POST, or None when POST is not offered).
LISTS: dict[str, dict[str, Any] | None] = {
    "api-find": None,
    "api-jobs": JOB,
    "api-needs": None,
    "api-matches": None,
    "api-holds": {"part_ref": "P", "need": 1},
    "api-outcomes": None,
    "api-alerts": None,
    "api-alerts-read-all": {},
    "api-donors": DONOR,
    "api-parts": {"kind": "heater", "received_on": "2026-11-20"},
    "api-makes": {"name": "Ostrelle"},
    "api-model-numbers": {"make": "Velthane", "model_number": "ZZ 1"},
    "api-recognise": None,
    "api-rules": {"kind": "heater", "says": "fits", "job_side": {"family": "W7"}},
    "api-breaks": None,
    "api-interchanges": {"kind": "heater", "from_number": "H8", "to_number": "H9"},
    "api-predicted": None,
    "api-listings": {"text": "Velthane W7-60 R1 W washer, 20 EUR"},
    "api-listings-import": {"kind": "text"},
    "api-listing-terms": None,
    "api-strip-steps": {"name": "Foot off", "minutes": 2},
    "api-strip-step-minutes": None,
    "api-strip-rate": None,
    "api-certificates": {
        "member_id": 1,
        "kind": "gas",
        "number": "G",
        "valid_until": "2027-01-01",
    },
    "api-dead-letters": None,
    "api-dead-letters-replay": {},
    "api-dead-letter-replays": None,
    "api-label-sheets": None,
    "api-build-date-decode": {"code": "1823", "scheme": "YEAR_WEEK"},
    "api-labels": {"parts": ["X-9"], "sheet": "65-38x21"},
    "api-alerts-count": None,
    "api-figures-needs": None,
    "api-figures-donors": None,
    "api-figures-shelf": None,
    "api-figures-let-go": None,
    "api-figures-kept": None,
    "api-figures-lasting": None,
    "api-look-for": None,
    "api-my-alerts": None,
    "api-my-feed": {},
    "api-webhooks": {"name": "x", "url": "https://hooks.example.com/"},
    "api-deliveries": None,
    "api-survival": None,
    "api-allocation": {},
    "api-passed": None,
    "api-kept": {"part_ref": "X-9", "note": "x"},
    "api-proposals": None,
    "api-warranty-days": None,
    "api-own-figures": None,
    "api-duties": None,
    "api-sister-warnings": None,
    "api-fault-codes": {
        "make": "Velthane",
        "appliance": "washing-machine",
        "code": "P4",
        "suspects": {"drain-pump": 1},
    },
    "api-symptoms": {"name": "Sings", "appliance": "washing-machine", "suspects": {"belt": 1}},
    "api-fault-checks": {
        "do": "Listen.",
        "appliance": "washing-machine",
        "minutes": 2,
        "suspects": {"belt": 0.9},
    },
    "api-fault-check": None,  # of the delivered table: everybody's
    "api-triage-figures": None,
    "api-rules-of-thumb": None,
    "api-rule-of-thumb": None,
    "api-plate-read": {"photo": "x"},
    "api-imports": {"kind": "makes"},
    "api-tokens": None,
    "api-members": None,
    "api-invitations": {"role": "technician"},
    "api-find-numbers": {"text": "a plate says W7-60 R1 W"},
}
# Signing in and the description of the API: open to anyone signed in, or by password.
OUTSIDE = {"api-token", "api-token-end", "api-schema", "api-docs"}
BODIES: dict[str, dict[str, Any]] = {
    "api-import": {"kind": "makes", "places": {"make": 0}},
    "api-listing": {"cause": ""},
    "api-listing-close": {"state": "gone"},
    "api-listing-buy": {"paid": "10", "received_on": "2026-11-21"},
    "api-make-date-code": {"date_code": "YEAR_WEEK"},
    "api-donor-build-date": {"code": "1823", "scheme": "YEAR_WEEK"},
    "api-donor-build-choose": {"built_from": "2018-06-04"},
    "api-job-build-date": {"code": "1823", "scheme": "YEAR_WEEK"},
    "api-job-build-choose": {"built_from": "2018-06-04"},
    "api-job": {"own_number": "T 1"},
    "api-donor": {"note": "x"},
    "api-need": {"part_number": "X"},
    "api-job-needs": {"kind": "heater"},
    "api-job-wait": {"wait_until": "2027-01-20"},
    "api-job-permission": {"may_keep": "yes", "said_by": "owner", "how": "signed"},
    "api-make-pattern": {"pattern": ""},
    "api-donor-confirm": {"model_id": 1},
    "api-donor-step-leave-out": {"came": "not-here"},
    "api-donor-step-minutes": {"minutes": 3},
    "api-job-confirm": {"model_id": 1},
    "api-part": {"note": "x"},
    "api-part-remove": {"removed_on": "2026-11-21"},
    "api-part-tests": {"verdict": "good", "method": "look", "tested_on": "2026-11-21"},
    "api-bench-tests": {"readings": {}, "tested_on": "2026-11-21"},
    "api-bench-preview": {"readings": {}, "tested_on": "2026-11-21"},
    "api-hold-fitted": {"result": "worked", "fitted_on": "2026-11-21"},
    "api-job-customer": {"name": "x"},
    "api-job-safety": {"protection_class": "I"},
    "api-job-safety-step": {"step": "visual", "entry": True},
    "api-job-fault-signs": {"code": "P4"},
    "api-job-fault-answers": {"check": "washing-machine:filter-clear", "answer": "bad"},
    "api-job-fault-needs": {"needs": [{"kind": "heater"}]},
    "api-job-fault-found": {"suspect": "blockage"},
    "api-fault-code": {
        "make": "Velthane",
        "appliance": "washing-machine",
        "code": "P4",
        "suspects": {"drain-pump": 1},
    },
    "api-symptom": {"name": "Sings", "suspects": {"belt": 1}},
    "api-own-fault-check": {"do": "Listen.", "minutes": 2, "suspects": {"belt": 0.9}},
    "api-outcome-failed": {"failed_on": "2026-11-22"},
    "api-rule-comments": {"note": "x"},
    "api-part-sell": {"price": "10", "sold_on": "2026-11-21"},
    "api-part-scrap": {"why": "cracked", "scrapped_on": "2026-11-21"},
    "api-last-sold": {"last_sold": "2022"},
    "api-proposal-decline": {"note": "x"},
    "api-job-urgency": {"urgency": 1, "why": "a freezer"},
    "api-sister-warning-end": {"why": "looked at"},
    "api-member": {"role": "owner", "active": False},
}
METHODS = ("get", "post", "put", "patch", "delete")


def things(bench: Bench) -> dict[str, str]:
    """Return the address of one thing of this workshop for every route about a thing."""
    donor = bench.donor()
    need = bench.need()
    bench.drain()
    part = bench.part(donor)
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    outcome = Outcome.objects.create(
        workshop=bench.workshop,
        kind_id="heater",
        fitted_on=NOW.date(),
        result="worked",
        fingerprint="x",
    )
    rule = ruling.propose_rule(
        workshop=bench.workshop,
        statement=ruling.Statement(kind="heater", says="fits", job_side={"family": "W7"}),
        member=bench.technician,
        now=NOW,
    )
    alert = Alert.of(bench.workshop).first()
    assert alert is not None
    from parts.models import Photo

    upload = bench.file_import()
    found = bench.build_break()
    relation = bench.interchange()
    listing = bench.listing()
    shown = {"width": 4, "height": 3, "size_bytes": 9, "kept_at": NOW}
    photo = Photo.objects.create(workshop=bench.workshop, part=part, **shown)
    model = bench.makes["Velthane"].numbers.order_by("id").first()
    assert model is not None
    warning = bench.sister_warning(donor)
    faults = bench.faults(need.job)
    bench.customer(need.job)
    fault = f"/api/v1/jobs/{need.job.ref}/fault/"
    proposal = bench.proposal(part, need)
    webhook = bench.webhook()
    delivery = bench.delivery(webhook, alert)
    return {
        "api-job-fault": fault,
        "api-job-fault-signs": f"{fault}signs/",
        "api-job-fault-sign": f"{fault}signs/{faults.sign.pk}/",
        "api-job-fault-answers": f"{fault}answers/",
        "api-job-fault-answer": f"{fault}answers/{faults.answer.pk}/",
        "api-job-fault-needs": f"{fault}needs/",
        "api-job-fault-found": f"{fault}found/",
        "api-fault-code": f"/api/v1/fault-codes/{faults.code.pk}/",
        "api-symptom": f"/api/v1/symptoms/{faults.symptom}/",
        "api-own-fault-check": f"/api/v1/fault-checks/{faults.own_check}/own/",
        "api-webhook": f"/api/v1/webhooks/{webhook.pk}/",
        **{
            f"api-webhook-{act}": f"/api/v1/webhooks/{webhook.pk}/{act}/"
            for act in ("pause", "resume", "rotate")
        },
        "api-delivery-again": f"/api/v1/deliveries/{delivery.pk}/again/",
        "api-donor-photos": f"/api/v1/donors/{donor.ref}/photos/",
        "api-part-photos": f"/api/v1/parts/{part.ref}/photos/",
        "api-photo": f"/api/v1/photos/{photo.pk}/",
        "api-photo-picture": f"/api/v1/photos/{photo.pk}/picture/",
        "api-break": f"/api/v1/breaks/{found.pk}/",
        "api-listing": f"/api/v1/listings/{listing.ref}/",
        **{
            f"api-listing-{act}": f"/api/v1/listings/{listing.ref}/{act}/"
            for act in ("close", "reopen", "read", "buy")
        },
        **{
            f"api-break-{act}": f"/api/v1/breaks/{found.pk}/{act}/"
            for act in ("accept", "reject", "retire")
        },
        "api-interchange": f"/api/v1/interchanges/{relation.pk}/",
        "api-job": f"/api/v1/jobs/{need.job.ref}/",
        "api-job-urgency": f"/api/v1/jobs/{need.job.ref}/urgency/",
        **{
            f"api-job-{act}": f"/api/v1/jobs/{need.job.ref}/{act}/"
            for act in ("record", "take", "reopen", "needs")
        },
        "api-need": f"/api/v1/needs/{need.pk}/",
        "api-need-withdraw": f"/api/v1/needs/{need.pk}/withdraw/",
        "api-outcome-take-back": f"/api/v1/outcomes/{outcome.pk}/take-back/",
        "api-donor-record": f"/api/v1/donors/{donor.ref}/record/",
        **{
            f"api-proposal-{act}": f"/api/v1/proposals/{proposal.pk}/{act}/"
            for act in ("accept", "decline", "reopen")
        },
        "api-kept-undo": f"/api/v1/allocation/kept/{bench.kept_back(part).pk}/undo/",
        "api-job-confirm": f"/api/v1/jobs/{need.job.ref}/confirm/",
        "api-job-refuse": f"/api/v1/jobs/{need.job.ref}/refuse/",
        **{
            f"api-job-{act}": f"/api/v1/jobs/{need.job.ref}/{act}/"
            for act in ("keep", "permission", "wait", "triage", "waiting")
        },
        "api-job-customer": f"/api/v1/jobs/{need.job.ref}/customer/",
        "api-job-safety": f"/api/v1/jobs/{need.job.ref}/safety/",
        "api-job-safety-step": f"/api/v1/jobs/{need.job.ref}/safety/steps/",
        "api-hold-release": f"/api/v1/holds/{hold.pk}/release/",
        "api-hold-fitted": f"/api/v1/holds/{hold.pk}/fitted/",
        "api-outcome-failed": f"/api/v1/outcomes/{outcome.pk}/failed/",
        "api-alert": f"/api/v1/alerts/{alert.pk}/",
        "api-alert-read": f"/api/v1/alerts/{alert.pk}/read/",
        "api-make-date-code": f"/api/v1/makes/{bench.makes['Velthane'].pk}/date-code/",
        "api-donor-build-date": f"/api/v1/donors/{donor.ref}/build-date/",
        "api-donor-build-choose": f"/api/v1/donors/{donor.ref}/build-date/choose/",
        "api-job-build-date": f"/api/v1/jobs/{need.job.ref}/build-date/",
        "api-job-build-choose": f"/api/v1/jobs/{need.job.ref}/build-date/choose/",
        "api-make-pattern": f"/api/v1/makes/{bench.makes['Velthane'].pk}/pattern/",
        "api-pattern-proposal": f"/api/v1/makes/{bench.makes['Velthane'].pk}/pattern-proposal/",
        "api-donor": f"/api/v1/donors/{donor.ref}/",
        "api-donor-was-job": f"/api/v1/donors/{donor.ref}/was-job/",
        "api-donor-confirm": f"/api/v1/donors/{donor.ref}/confirm/",
        "api-strip-plan": f"/api/v1/donors/{donor.ref}/strip-plan/",
        **{
            f"api-donor-step-{act}": f"/api/v1/donors/{donor.ref}/strip-steps/lid-off/{act}/"
            for act in ("start", "stop", "finish", "leave-out", "reopen", "minutes")
        },
        "api-dead-letter-replay": f"/api/v1/dead-letters/{bench.dead_letter().pk}/replay/",
        "api-certificate": f"/api/v1/certificates/{bench.certificate().pk}/",
        **{
            f"api-rule-{act}": f"/api/v1/rules/{rule.pk}/{act}/"
            for act in ("impact", "comments", "approve", "reject", "retire")
        },
        "api-token-facts": f"/api/v1/tokens/{bench.api_token()[0].pk}/",
        "api-member": f"/api/v1/members/{bench.technician.pk}/",
        "api-invitation": f"/api/v1/invitations/{bench.invitation()[0].pk}/",
        "api-rule": f"/api/v1/rules/{rule.pk}/",
        "api-import": f"/api/v1/imports/{upload.pk}/",
        "api-import-store": f"/api/v1/imports/{upload.pk}/store/",
        "api-import-undo": f"/api/v1/imports/{upload.pk}/undo/",
        "api-part": f"/api/v1/parts/{part.ref}/",
        "api-part-by-code": f"/api/v1/parts/by-code/{part.short_code}/",
        "api-part-remove": f"/api/v1/parts/{part.ref}/remove/",
        "api-model-duties": f"/api/v1/model-numbers/{model.pk}/spare-part-duties/",
        "api-last-sold": f"/api/v1/model-numbers/{model.pk}/last-sold/",
        "api-part-sell": f"/api/v1/parts/{part.ref}/sell/",
        "api-part-scrap": f"/api/v1/parts/{part.ref}/scrap/",
        "api-sister-warning-end": f"/api/v1/sister-warnings/{warning.pk}/end/",
        "api-part-tests": f"/api/v1/parts/{part.ref}/tests/",
        "api-bench-form": f"/api/v1/parts/{part.ref}/bench-form/",
        "api-bench-tests": f"/api/v1/parts/{part.ref}/bench-tests/",
        "api-bench-preview": f"/api/v1/parts/{part.ref}/bench-tests/preview/",
    }


def test_every_route_is_in_one_of_the_tables(bench: Bench) -> None:
    names = {pattern.name for pattern in api_urls.urlpatterns}
    assert names == {*LISTS, *OUTSIDE, *things(bench)}
    assert get_resolver().reverse_dict is not None


def unique_refs(bench: Bench) -> None:
    """Move this workshop's counters, so that its references are not the other's as well."""
    from workshop.models import RefCounter

    for prefix in ("D", "J", "L", "code"):
        RefCounter.objects.create(workshop=bench.workshop, prefix=prefix, last=500_000)


def test_things_of_another_workshop_answer_as_unknown_ones(
    bench: Bench, other_bench: Bench, sign_in
) -> None:
    unique_refs(other_bench)
    theirs = things(other_bench)
    before = snapshot(other_bench)
    client = sign_in("owner")
    for name, path in theirs.items():
        for method in METHODS:
            answer = getattr(client, method)(path, BODIES.get(name, {}), format="json")
            assert answer.status_code in {404, 405}, (method, path, answer.status_code)
    assert snapshot(other_bench) == before
    unknown = client.get("/api/v1/jobs/J-9999/")
    foreign = client.get(theirs["api-job"])
    strip = {"status", "code", "title"}
    assert {k: unknown.data[k] for k in strip} == {k: foreign.data[k] for k in strip}


def snapshot(bench: Bench) -> list[list[dict[str, Any]]]:
    from donors.models import Donor, DonorChange
    from matching.models import (
        BuildBreak,
        CheckAnswer,
        Customer,
        DeliveredAlert,
        Delivery,
        EchoSettings,
        FaultCode,
        FaultFound,
        Job,
        JobChange,
        Match,
        Need,
        Sign,
        WebhookEndpoint,
        WorkshopSymptom,
    )
    from parts.models import (
        BenchTest,
        Interchange,
        Part,
        Photo,
        SisterWarning,
        StepRecord,
        StepSpan,
        WorkshopStep,
    )
    from workshop.models import (
        ApiToken,
        Certificate,
        FileImport,
        Invitation,
        Member,
        OutboxEvent,
        Replay,
    )

    models = (Donor, Part, Photo, BenchTest, Job, Need, Match, Hold, Outcome, Alert)
    models += (BuildBreak, Interchange, SisterWarning, JobChange, DonorChange)
    models += (Sign, CheckAnswer, FaultCode, FaultFound, WorkshopSymptom)
    models += (StepSpan, StepRecord, WorkshopStep, Certificate, OutboxEvent, Replay)
    models += (Customer, ApiToken, Invitation, Member)
    models += (WebhookEndpoint, Delivery, DeliveredAlert, EchoSettings, FileImport)
    return [list(model.objects.of(bench.workshop).order_by("pk").values()) for model in models]


def test_lists_show_nothing_of_another_workshop(bench: Bench, other_bench: Bench, sign_in) -> None:
    things(other_bench)
    client = sign_in("owner")
    counted = {"api-makes": 2, "api-model-numbers": 5}
    for path in (
        "jobs",
        "needs",
        "matches",
        "holds",
        "outcomes",
        "alerts",
        "donors",
        "parts",
        "rules",
        "breaks",
        "interchanges",
        "certificates",
        "dead-letters",
        "dead-letters/replays",
        "sister-warnings",
        "webhooks",
        "deliveries",
        "fault-codes",
        "imports",
        "tokens",
        "invitations",
    ):
        assert client.get(f"/api/v1/{path}/").data["count"] == 0, path
    for path in ("symptoms", "fault-checks"):
        listed = client.get(f"/api/v1/{path}/", {"page_size": 500}).data["results"]
        assert listed, path
        assert not [one for one in listed if one["own"]], path
    for path, name in (("makes", "api-makes"), ("model-numbers", "api-model-numbers")):
        assert client.get(f"/api/v1/{path}/").data["count"] == counted[name]
    found = client.get("/api/v1/parts/find/", {"text": "W7-60 R1 W"}).data
    assert found["results"] == []


def test_a_foreign_id_cannot_be_written(bench: Bench, other_bench: Bench, sign_in) -> None:
    unique_refs(other_bench)
    part, need = bench.part(bench.donor()), bench.need()
    their_part, their_need = other_bench.part(other_bench.donor()), other_bench.need()
    client = sign_in("owner")
    for body in (
        {"part_ref": their_part.ref, "need": need.pk},
        {"part_ref": part.ref, "need": their_need.pk},
    ):
        assert client.post("/api/v1/holds/", body, format="json").status_code == 404
    technician = {**JOB, "technician": other_bench.technician.pk}
    assert client.post("/api/v1/jobs/", technician, format="json").status_code == 400
    model = other_bench.makes["Velthane"].numbers.first()
    for path in (f"/api/v1/donors/{part.donor.ref}/", f"/api/v1/jobs/{need.job.ref}/"):
        body = {"model_id": model.pk}
        assert client.post(f"{path}confirm/", body, format="json").status_code == 404
    assert not Hold.objects.unscoped().exists()


def test_nobody_gets_in(bench: Bench) -> None:
    client = APIClient()
    paths = [*things(bench).values(), *(f"/api/v1/{p.pattern}" for p in api_urls.urlpatterns)]
    for path in paths:
        if "<" in path:
            continue
        for method in METHODS:
            status = getattr(client, method)(path, {}, format="json").status_code
            assert status in {401, 403}, (method, path, status)


def test_the_workshop_is_chosen_by_header(bench: Bench, other_bench: Bench) -> None:
    from workshop.models import Member, Role

    user = bench.technician.user
    Member.objects.create(workshop=other_bench.workshop, user=user, role=Role.OWNER)
    other_bench.donor()
    client = APIClient()
    client.force_authenticate(user)
    assert client.get("/api/v1/donors/").data["count"] == 0
    there = client.get("/api/v1/donors/", headers={"X-Workshop": "gannet"})
    assert there.data["count"] == 1
    assert client.get("/api/v1/donors/", headers={"X-Workshop": "nowhere"}).status_code == 403
