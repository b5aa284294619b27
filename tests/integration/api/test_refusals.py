"""Bad input over the API: 4xx, a sentence that names the thing, nothing half-written."""

import json
from typing import Any

import pytest
from rest_framework.test import APIClient

from donors.models import Donor
from matching.models import Hold, Job
from parts.models import Part
from tests.factories import Bench
from tests.integration.api.test_journey import DONOR, JOB
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db

BAD_DONORS: dict[str, tuple[dict[str, Any], str, str]] = {
    "blank number": ({"model_number": ""}, "model_number", "blank"),
    "junk number": ({"model_number": "-/-"}, "model_number", "fewer than two"),
    "unknown make": ({"make": "Velthan"}, "make", "Did you mean Velthane"),
    "date that is none": ({"received_on": "2026-02-30"}, "received_on", ""),
    "no date": ({"received_on": None}, "received_on", ""),
    "unknown appliance": ({"appliance": "teapot"}, "appliance", "choose one"),
    "unknown cause": ({"cause": "boredom"}, "cause", "boredom"),
    "built backwards": (
        {"built_from": "2020-01-02", "built_to": "2020-01-01"},
        "built_to",
        "before it begins",
    ),
    "received before built": ({"built_from": "2027-01-01"}, "received_on", "before it was built"),
    "NUL in the number": ({"model_number": "W7\x0060"}, "model_number", ""),
    "lone surrogate": ({"note": "\ud800"}, "", ""),
    "too long": ({"model_number": "W" * 81}, "model_number", ""),
}


@pytest.mark.parametrize("name", BAD_DONORS)
def test_a_bad_donor_is_refused_by_field(name: str, bench: Bench, api: APIClient) -> None:
    change, field, words = BAD_DONORS[name]
    events = OutboxEvent.objects.unscoped().count()
    body = json.dumps({**DONOR, **change})
    answer = api.post("/api/v1/donors/", body, content_type="application/json")
    assert answer.status_code == 400, answer.content
    assert answer["Content-Type"] == "application/problem+json"
    assert field in {error["field"] for error in answer.data["errors"]} | {""}
    assert words in answer.data["detail"] or words in str(answer.data["errors"])
    assert not Donor.objects.unscoped().exists()
    assert not Part.objects.unscoped().exists()
    assert OutboxEvent.objects.unscoped().count() == events


BAD_JOBS: dict[str, tuple[dict[str, Any], str]] = {
    "no needs, no words, no code": ({"needs": [], "symptom": ""}, "needs"),
    "a code that is none": ({"shown_code": "--"}, "shown_code"),
    "too long a code": ({"shown_code": "9" * 21}, "shown_code"),
    "unknown kind": ({"needs": [{"kind": "flux-valve"}]}, "kind"),
    "never reused": ({"needs": [{"kind": "thermal-cutout"}]}, "kind"),
    "same part twice": ({"needs": [{"kind": "heater"}, {"kind": "heater"}]}, "needs"),
    "price below zero": ({"needs": [{"kind": "heater", "max_price": "-1"}]}, "needs.0.max_price"),
    "attribute name": (
        {"needs": [{"kind": "heater", "attributes": {"Voltage V": "230"}}]},
        "needs.0.attributes",
    ),
    "wait ends before it began": ({"wait_until": "2026-11-01"}, "wait_until"),
    "somebody else's technician": ({"technician": 999_999}, "technician"),
}


@pytest.mark.parametrize("name", BAD_JOBS)
def test_a_bad_job_is_refused_by_field(name: str, bench: Bench, api: APIClient) -> None:
    change, field = BAD_JOBS[name]
    answer = api.post("/api/v1/jobs/", {**JOB, **change}, format="json")
    assert answer.status_code == 400, answer.content
    assert field in {error["field"] for error in answer.data["errors"]}, answer.data
    assert not Job.objects.unscoped().exists()


def test_a_hold_on_a_held_part_names_who_holds_it(bench: Bench, api: APIClient) -> None:
    first, second = bench.need("W7-60 R1 W"), bench.need("W7-60 R1 W")
    part = bench.part(bench.donor())
    body = {"part_ref": part.ref, "need": first.pk}
    assert api.post("/api/v1/holds/", body, format="json").status_code == 201
    answer = api.post("/api/v1/holds/", {**body, "need": second.pk}, format="json")
    assert answer.status_code == 409
    assert first.job.ref in answer.data["detail"]
    assert part.ref in answer.data["detail"]
    assert Hold.objects.unscoped().count() == 1


@pytest.mark.parametrize(
    "query",
    [
        {},
        {"text": "---"},
        {"text": "W7-60", "make": "Nobody"},
        {"text": "W7-60", "kind": "flux-valve"},
        {"text": "W7-60", "most": "0"},
        {"text": "W7-60", "built_from": "2020-01-02", "built_to": "2020-01-01"},
        {"text": "W7-60", "built_from": "soon"},
    ],
)
def test_a_search_for_nothing_is_refused(
    query: dict[str, str], bench: Bench, api: APIClient
) -> None:
    answer = api.get("/api/v1/parts/find/", query)
    assert answer.status_code == 400
    assert answer.data["detail"]


@pytest.mark.parametrize(
    ("path", "query"),
    [
        ("/api/v1/parts/", {"grade": "lovely"}),
        ("/api/v1/donors/", {"received_from": "never"}),
        ("/api/v1/jobs/", {"technician": str(2**70)}),
        ("/api/v1/matches/", {"p_fit_from": "9"}),
    ],
)
def test_a_filter_that_makes_no_sense_is_refused(
    path: str, query: dict[str, str], bench: Bench, api: APIClient
) -> None:
    assert api.get(path, query).status_code == 400


@pytest.mark.parametrize(
    "path",
    ["/api/v1/parts/%00/", "/api/v1/jobs/J%00/", "/api/v1/parts/find/?text=%00"],
)
def test_a_nul_in_the_address_is_refused(path: str, bench: Bench, api: APIClient) -> None:
    assert api.get(path).status_code == 400


def test_roles_are_kept(bench: Bench, sign_in) -> None:
    cataloguer = sign_in("cataloguer")
    assert cataloguer.post("/api/v1/donors/", DONOR, format="json").status_code == 201
    refused = cataloguer.post("/api/v1/jobs/", JOB, format="json")
    assert refused.status_code == 403
    assert "technician" in refused.data["detail"]
    make = {"name": "Ostrelle"}
    assert sign_in("technician").post("/api/v1/makes/", make, format="json").status_code == 403
    assert sign_in("reviewer").post("/api/v1/makes/", make, format="json").status_code == 201


def test_an_inactive_member_is_out_at_once(bench: Bench, api: APIClient) -> None:
    assert api.get("/api/v1/jobs/").status_code == 200
    bench.technician.active = False
    bench.technician.save()
    assert api.get("/api/v1/jobs/").status_code == 403


def test_a_regex_bomb_as_a_pattern_is_refused_with_the_reason(bench: Bench, sign_in) -> None:
    reviewer = sign_in("reviewer")
    for pattern in (r"(?P<family>a)(?=b)", r"(?P<family>(a)\2)", "(?P<shape>a)", "a" * 201):
        answer = reviewer.post(
            "/api/v1/makes/", {"name": "Ostrelle", "pattern": pattern}, format="json"
        )
        assert answer.status_code == 400
        assert answer.data["errors"][0]["field"] == "pattern"


YES_OR_NO = (
    ("holds", "standing"),
    ("alerts", "unread"),
    ("rules", "flagged"),
    ("rules", "from_evidence"),
    ("interchanges", "both_ways"),
)


@pytest.mark.parametrize(("path", "name"), YES_OR_NO)
def test_a_yes_or_no_that_is_neither_is_refused_by_name(
    path: str, name: str, bench: Bench, api: APIClient
) -> None:
    for value in ("true", "False", "1", "0", ""):
        assert api.get(f"/api/v1/{path}/", {name: value}).status_code == 200
    for value in ("maybe", "2", "truefalse"):
        answer = api.get(f"/api/v1/{path}/", {name: value})
        assert answer.status_code == 400
        assert [error["field"] for error in answer.data["errors"]] == [name]
