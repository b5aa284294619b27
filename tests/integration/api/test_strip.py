"""The strip plan and the work on it over the API, as a phone app would use it."""

from typing import Any

import pytest
from rest_framework.test import APIClient

from parts.models import StepRecord
from tests.factories import Bench

pytestmark = pytest.mark.django_db


def step(client: APIClient, donor: Any, slug: str, act: str, body: Any = None, **more: Any) -> Any:
    path = f"/api/v1/donors/{donor.ref}/strip-steps/{slug}/{act}/"
    send = client.put if act == "minutes" else client.post
    return send(path, body or {}, format="json", **more)


def test_a_donor_is_stripped_by_its_plan(bench: Bench, api: APIClient) -> None:
    """Until nothing pays any more, always the first step that is ready."""
    donor = bench.donor(cause="bearing-drum")
    path = f"/api/v1/donors/{donor.ref}/strip-plan/"
    helper = bench.members["owner"].pk
    promised = api.get(path).data["value"]
    worth = spent = 0.0
    for _ in range(40):
        plan = api.get(path).data
        ready = [line for line in plan["lines"] if not line["first"]]
        if not ready:
            break
        line = ready[0]
        slug = line["step"]["slug"]
        assert step(api, donor, slug, "start").status_code == 200
        planned = [one for one in line["parts"] if one["planned"]]
        body = {
            "minutes": max(line["minutes"], 0.1),
            "second_person": helper,
            "parts": [{"ref": one["value"]["part_ref"], "bin": "A-1"} for one in planned],
        }
        answer = step(api, donor, slug, "finish", body)
        assert answer.status_code == 201, answer.data
        spent += line["minutes"]
        worth += sum(one["value"]["worth"] for one in planned)
    assert plan["lines"] == []
    assert plan["value"] == 0
    assert worth > promised  # before the work is paid
    # The demand a plan counts with falls as bins fill, one kind of a machine at a time: hence
    # what was brought in is what was promised.
    assert worth - spent * plan["rate_per_min"] == pytest.approx(promised, abs=0.5)
    assert {one["record"]["came"] for one in plan["past"] if one["record"]} == {"done"}


def test_within_minutes_and_bad_minutes(bench: Bench, api: APIClient) -> None:
    path = f"/api/v1/donors/{bench.donor().ref}/strip-plan/"
    plan = api.get(path, {"within_min": 20}).data
    assert plan["minutes"] <= plan["within_min"] == 20
    for bad in ("-1", "soon", "1e9", "nan", "inf"):
        answer = api.get(path, {"within_min": bad})
        assert answer.status_code == 400, bad
        assert answer["Content-Type"] == "application/problem+json"
        assert answer.data["errors"][0]["field"] == "within_min"


def test_refusals_are_problems_with_their_field(bench: Bench, api: APIClient) -> None:
    donor = bench.donor()
    early = step(api, donor, "motor-out", "start")
    assert (early.status_code, early.data["code"]) == (409, "conflict")
    step(api, donor, "drain-at-filter", "finish")
    alone = step(api, donor, "lay-down", "finish")
    assert alone.status_code == 400
    assert alone.data["errors"][0]["field"] == "second_person"
    for body in (
        {"minutes": -1},
        {"minutes": "x"},
        {"parts": [{}]},
        {"parts": [{"ref": "P", "came": "eaten"}]},
    ):
        assert step(api, donor, "lid-off", "finish", body).status_code == 400, body
    assert step(api, donor, "fly-away", "start").status_code == 404
    assert step(api, donor, "lid-off", "stop").status_code == 409
    assert step(api, donor, "lid-off", "minutes", {"minutes": 3}).status_code == 404
    assert step(api, donor, "lid-off", "leave-out", {"came": "done"}).status_code == 400


def test_a_repeated_tick_has_one_effect(bench: Bench, api: APIClient) -> None:
    donor = bench.donor()
    key = {"headers": {"Idempotency-Key": '"a-tick-on-a-bad-line"'}}
    first = step(api, donor, "lid-off", "finish", {"minutes": 4}, **key)
    again = step(api, donor, "lid-off", "finish", {"minutes": 4}, **key)
    assert first.status_code == again.status_code == 201
    assert first.content == again.content
    assert StepRecord.of(bench.workshop).count() == 1
    assert step(api, donor, "lid-off", "finish", {"minutes": 4}).status_code == 409


def test_correct_leave_out_and_reopen(bench: Bench, api: APIClient) -> None:
    donor = bench.donor()
    step(api, donor, "lid-off", "finish", {"minutes": 400})
    assert step(api, donor, "lid-off", "minutes", {"minutes": 4}).data["minutes"] == 4
    assert step(api, donor, "lid-off", "reopen").status_code == 204
    left = step(api, donor, "lid-off", "leave-out", {"came": "not-needed", "found": "glass"})
    assert (left.status_code, left.data["came"]) == (201, "not-needed")


def test_certificates(bench: Bench, api: APIClient, sign_in: Any) -> None:
    body = {
        "member_id": bench.technician.pk,
        "kind": "refrigerant",
        "number": "R-9",
        "valid_until": "2031-05-31",
    }
    assert api.post("/api/v1/certificates/", body, format="json").status_code == 403
    owner = sign_in("owner")
    made = owner.post("/api/v1/certificates/", body, format="json")
    assert made.status_code == 201
    assert made.data["member"] == str(bench.technician)
    listed = api.get("/api/v1/certificates/").data["results"]
    assert [(one["number"], one["valid_until"]) for one in listed] == [("R-9", "2031-05-31")]
    for bad in ({"member_id": 10**6}, {"kind": "x"}, {"number": ""}, {"valid_until": "x"}):
        answer = owner.post("/api/v1/certificates/", {**body, **bad}, format="json")
        assert answer.status_code == 400, bad
    path = f"/api/v1/certificates/{made.data['id']}/"
    assert owner.delete(path).status_code == 204
    assert owner.delete(path).status_code == 404


def test_steps_and_rate(bench: Bench, api: APIClient, sign_in: Any) -> None:
    path = "/api/v1/strip-steps/washing-machine/"
    steps = api.get(path).data
    lid = next(one for one in steps if one["slug"] == "lid-off")
    assert (lid["guess_min"], lid["own_times"], lid["own"]) == (3, 0, False)
    body = {"name": "Foot off", "minutes": 2, "needs": [["lid-off", "rear-cover-off"]]}
    assert api.post(path, body, format="json").status_code == 403
    reviewer = sign_in("reviewer")
    assert reviewer.post(path, body, format="json").data["slug"] == "foot-off"
    assert reviewer.post(path, body, format="json").status_code == 409
    minutes = f"{path}lid-off/minutes/"
    assert reviewer.put(minutes, {"minutes": 5}, format="json").data["guess_min"] == 5
    assert reviewer.put(minutes, {"minutes": None}, format="json").data["guess_min"] == 3
    assert reviewer.put(minutes, {"minutes": -5}, format="json").status_code == 400
    assert reviewer.get("/api/v1/strip-steps/toaster/").status_code == 404
    owner = sign_in("owner")
    rate = {"rate_per_min": 0.9}
    assert owner.put("/api/v1/strip-rate/", rate, format="json").data == rate
    assert api.get("/api/v1/strip-rate/").data == rate
    assert owner.put("/api/v1/strip-rate/", {"rate_per_min": -1}, format="json").status_code == 400


def test_another_workshops_certificate_and_helper_are_refused(
    bench: Bench, other_bench: Bench, api: APIClient, sign_in: Any
) -> None:
    donor = bench.donor()
    step(api, donor, "drain-at-filter", "finish")
    body = {"second_person": other_bench.technician.pk}
    assert step(api, donor, "lay-down", "finish", body).status_code == 400
    licensed = {"name": "Heat pump out", "minutes": 20, "licence": "refrigerant"}
    path = "/api/v1/strip-steps/washing-machine/"
    assert sign_in("reviewer").post(path, licensed, format="json").status_code == 201
    theirs = other_bench.certificate()
    answer = step(api, donor, "heat-pump-out", "finish", {"certificate": theirs.pk})
    assert (answer.status_code, answer.data["errors"][0]["field"]) == (400, "certificate")
