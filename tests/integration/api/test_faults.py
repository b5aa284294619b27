"""The API of faults: a job by its words, its checks, needs and end, and the tables."""

import json
import uuid
from typing import Any

import pytest
from rest_framework.test import APIClient

from matching.models import FaultCode, Job, Need, Sign, WorkshopCheck, WorkshopSymptom
from tests.factories import Bench

pytestmark = pytest.mark.django_db

MACHINE = {
    "appliance": "washing-machine",
    "make": "Velthane",
    "model_number": "W7-60 R1 W",
    "opened_on": "2026-11-20",
}
FILTER = "washing-machine:filter-clear"
CODE = {
    "make": "Velthane",
    "appliance": "washing-machine",
    "code": "P4",
    "suspects": {"drain-pump": 45, "blockage": 40},
}


@pytest.fixture
def fault(api: APIClient, bench: Bench) -> str:
    """The address of the fault of a job that is known by its words only."""
    body = {**MACHINE, "symptom": "does not drain", "shown_code": "P4"}
    answer = api.post("/api/v1/jobs/", body, format="json")
    assert answer.status_code == 201, answer.data
    assert answer.data["needs"] == []
    return f"/api/v1/jobs/{answer.data['ref']}/fault/"


def odds(answer: Any) -> dict[str, float]:
    return {one["suspect"]: one["odds"] for one in answer.data["suspects"]}


def test_from_fault_to_need(api: APIClient, bench: Bench, fault: str) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    bench.drain()
    seen = api.get(fault)
    assert [(one["name"], one["counts"]) for one in seen.data["signs"]] == [
        ("Does not drain", True),
        ("shows P4", False),
    ]
    assert seen.data["next_check"] == FILTER
    assert sum(odds(seen).values()) == pytest.approx(1)
    answered = api.post(f"{fault}answers/", {"check": FILTER, "answer": "good"}, format="json")
    assert answered.status_code == 201
    assert odds(answered)["drain-pump"] > odds(seen)["drain-pump"]
    (left,) = answered.data["proposed"]
    assert (left["kind"], left["stock"]["count"], left["stock"]["part_ref"]) == (
        "drain-pump",
        1,
        part.ref,
    )
    made = api.post(f"{fault}needs/", {"needs": [{"kind": "drain-pump"}]}, format="json")
    assert made.status_code == 201
    assert [one["kind"] for one in made.data] == ["drain-pump"]
    given = answered.data["answers"][0]["id"]
    undone = api.delete(f"{fault}answers/{given}/")
    assert odds(undone) == pytest.approx(odds(seen))
    assert undone.data["answers"][0]["ended_by"] == "millrace-technician"
    sign = seen.data["signs"][1]["id"]
    assert len(api.delete(f"{fault}signs/{sign}/").data["signs"]) == 1
    closed = api.post(f"{fault}found/", {"suspect": "blockage"}, format="json")
    assert (closed.data["state"], closed.data["found"]["suspect"]) == ("done", "blockage")
    assert Need.of(bench.workshop).get().state == "withdrawn"
    json.dumps(closed.json())


@pytest.mark.parametrize(
    ("path", "body", "field"),
    [
        ("signs/", {}, "symptom"),
        ("signs/", {"symptom": "a", "code": "b"}, "symptom"),
        ("signs/", {"symptom": "microwave:dead"}, "symptom"),
        ("signs/", {"code": "--"}, "code"),
        ("answers/", {"check": FILTER, "answer": "maybe"}, "answer"),
        ("answers/", {"check": "x", "answer": "bad"}, "check"),
        ("needs/", {"needs": []}, "needs"),
        ("needs/", {"needs": [{"kind": "heater"}, {"kind": "brew-unit"}]}, "needs"),
        ("needs/", {"needs": [{"kind": "heater", "position": "moon"}]}, "needs"),
        ("found/", {"suspect": "goblins"}, "suspect"),
        ("found/", {"suspect": "blockage", "note": "x" * 301}, "note"),
    ],
)
def test_nonsense_is_refused_by_field(
    api: APIClient, bench: Bench, fault: str, path: str, body: dict[str, Any], field: str
) -> None:
    answer = api.post(f"{fault}{path}", body, format="json")
    assert answer.status_code == 400
    assert field in {one["field"].split(".")[0] for one in answer.data["errors"]}, answer.data
    assert Sign.of(bench.workshop).count() == 2
    assert not Need.of(bench.workshop).exists()
    assert Job.of(bench.workshop).get().state == "open"


def test_a_repeated_request_acts_once(api: APIClient, bench: Bench, fault: str) -> None:
    key = {"Idempotency-Key": f'"{uuid.uuid4()}"'}
    body = {"needs": [{"kind": "heater"}]}
    first, second = (api.post(f"{fault}needs/", body, format="json", headers=key) for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.content == second.content
    assert Need.of(bench.workshop).count() == 1
    assert api.post(f"{fault}needs/", body, format="json").status_code == 409


def test_roles(bench: Bench, sign_in: Any, fault: str) -> None:
    cataloguer, technician = sign_in("cataloguer"), sign_in("technician")
    assert cataloguer.get(fault).status_code == 200
    for path, body in (
        ("signs/", {"code": "A1"}),
        ("answers/", {"check": FILTER, "answer": "bad"}),
        ("needs/", {"needs": [{"kind": "heater"}]}),
        ("found/", {"suspect": "blockage"}),
    ):
        assert cataloguer.post(f"{fault}{path}", body, format="json").status_code == 403
    assert technician.post("/api/v1/fault-codes/", CODE, format="json").status_code == 403
    assert technician.put(f"/api/v1/fault-checks/{FILTER}/", {}, format="json").status_code == 403
    own = {"name": "Sings", "appliance": "washing-machine", "suspects": {"belt": 1}}
    assert technician.post("/api/v1/symptoms/", own, format="json").status_code == 403
    assert technician.get("/api/v1/fault-codes/").status_code == 200


def test_a_code_written_down_counts_from_then_on(
    api: APIClient, bench: Bench, sign_in: Any, fault: str
) -> None:
    reviewer = sign_in("reviewer")
    made = reviewer.post("/api/v1/fault-codes/", CODE, format="json")
    assert made.status_code == 201, made.data
    assert [one["counts"] for one in api.get(fault).data["signs"]] == [True, True]
    api.post(f"{fault}found/", {"suspect": "hose"}, format="json")
    address = f"/api/v1/fault-codes/{made.data['id']}/"
    learned = {one["suspect"]: one for one in api.get(address).data["learned"]}
    assert learned["hose"] == {
        "suspect": "hose",
        "weight": None,
        "closed": 1,
        "odds": pytest.approx(1 / 11),
    }
    changed = reviewer.put(address, {**CODE, "hidden": True}, format="json")
    assert changed.data["hidden"] is True
    assert [one["counts"] for one in api.get(fault).data["signs"]] == [True, False]
    listed = api.get("/api/v1/fault-codes/", {"appliance": "dishwasher"})
    assert listed.data["results"] == []
    (row,) = api.get("/api/v1/fault-codes/").data["results"]
    assert {one["suspect"]: one["closed"] for one in row["learned"]}["hose"] == 1


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"code": " "}, "code"),
        ({"suspects": {"drain-pump": -1}}, "suspects"),
        ({"suspects": {"goblins": 1}}, "suspects"),
        ({"suspects": {}}, "suspects"),
        ({"make": "Nobody"}, "make"),
        ({"appliance": "toaster"}, "appliance"),
        ({"checks": ["x"]}, "checks"),
    ],
)
def test_a_code_that_cannot_be(
    bench: Bench, sign_in: Any, changed: dict[str, Any], field: str
) -> None:
    answer = sign_in("reviewer").post("/api/v1/fault-codes/", {**CODE, **changed}, format="json")
    assert answer.status_code == 400
    assert field in {one["field"].split(".")[0] for one in answer.data["errors"]}, answer.data
    assert not FaultCode.of(bench.workshop).exists()


def test_symptoms_and_checks(bench: Bench, sign_in: Any) -> None:
    reviewer = sign_in("reviewer")
    rows = reviewer.get("/api/v1/symptoms/", {"appliance": "dishwasher"}).data["results"]
    assert rows
    assert {one["appliance"] for one in rows} == {"dishwasher"}
    address = f"/api/v1/symptoms/{rows[0]['slug']}/"
    body = {"name": rows[0]["name"], "suspects": {"drain-pump": 1}}
    assert reviewer.put(address, body, format="json").data["changed"] is True
    assert reviewer.delete(address).data["changed"] is False
    assert not WorkshopSymptom.of(bench.workshop).exists()
    own = {"name": "Sings", "appliance": "washing-machine", "suspects": {"belt": 1}}
    made = reviewer.post("/api/v1/symptoms/", own, format="json")
    assert (made.status_code, made.data["slug"]) == (201, "washing-machine:sings")
    assert reviewer.delete("/api/v1/symptoms/washing-machine:sings/").status_code == 409
    assert reviewer.post("/api/v1/symptoms/", own, format="json").status_code == 409
    check = f"/api/v1/fault-checks/{FILTER}/"
    assert reviewer.put(check, {"minutes": 8}, format="json").data["minutes"] == 8
    for minutes in (-1, 0, 601):
        assert reviewer.put(check, {"minutes": minutes}, format="json").status_code == 400
    restored = reviewer.put(check, {"minutes": None}, format="json").data
    assert restored["minutes"] == restored["guide_minutes"] == 5
    listed = reviewer.get("/api/v1/fault-checks/", {"appliance": "microwave"}).data["results"]
    assert {one["appliance"] for one in listed} == {"microwave"}
    assert reviewer.get("/api/v1/symptoms/", {"appliance": "toaster"}).status_code == 404


def test_lists_of_the_table_come_by_the_page(sign_in: Any) -> None:
    reviewer = sign_in("reviewer")
    for path, rows in (("symptoms", 75), ("fault-checks", 130)):
        first = reviewer.get(f"/api/v1/{path}/", {"page_size": 40}).data
        assert (first["count"], len(first["results"])) == (rows, 40)
        last = reviewer.get(f"/api/v1/{path}/", {"page_size": 40, "page": -(-rows // 40)}).data
        assert (len(last["results"]), last["next"]) == (rows % 40 or 40, None)


LISTEN = {
    "appliance": "washing-machine",
    "do": "Listen at the pump while it should run.",
    "minutes": 1,
    "suspects": {"drain-pump": 0.95, "blockage": 0.1},
    "instrument": "a stethoscope",
}


def test_a_check_of_one_s_own_is_asked_for_and_moves_the_odds(
    api: APIClient, sign_in: Any, fault: str
) -> None:
    reviewer = sign_in("reviewer")
    made = reviewer.post("/api/v1/fault-checks/", LISTEN, format="json")
    assert made.status_code == 201, made.data
    assert (made.data["own"], made.data["guide_minutes"]) == (True, None)
    assert made.data["cautions"] == ["all-unplug", "all-capacitor"]  # opened unless said otherwise
    slug = made.data["slug"]
    assert reviewer.post("/api/v1/fault-checks/", LISTEN, format="json").status_code == 409
    seen = api.get(fault)
    assert slug in [one["check"] for one in seen.data["checks"]]
    answered = api.post(f"{fault}answers/", {"check": slug, "answer": "bad"}, format="json")
    assert answered.status_code == 201, answered.data
    before, after = odds(seen), odds(answered)
    # Bayes' theorem by hand: each suspect's odds times its chance of this answer.
    given = {**dict.fromkeys(before, 0.05), **LISTEN["suspects"]}
    whole = sum(p * given[name] for name, p in before.items())
    assert after == pytest.approx({name: p * given[name] / whole for name, p in before.items()})
    body = {name: value for name, value in LISTEN.items() if name != "appliance"}
    retired = reviewer.put(f"/api/v1/fault-checks/{slug}/own/", {**body, "hidden": True}, "json")
    assert retired.data["hidden"] is True
    assert odds(api.get(fault)) == pytest.approx(before)  # it counts for nothing any more
    guide = reviewer.put(f"/api/v1/fault-checks/{FILTER}/own/", body, format="json")
    assert guide.status_code == 409
    assert (
        reviewer.put(f"/api/v1/fault-checks/{slug}/", {"minutes": 3}, "json").data["minutes"] == 3
    )


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"do": "!!"}, "do"),
        ({"do": "x" * 301}, "do"),
        ({"minutes": 0}, "minutes"),
        ({"minutes": -1}, "minutes"),
        ({"minutes": 601}, "minutes"),
        ({"suspects": {}}, "suspects"),
        ({"suspects": {"drain-pump": 0}}, "suspects"),
        ({"suspects": {"drain-pump": 1}}, "suspects"),
        ({"suspects": {"brew-unit": 0.5}}, "suspects"),
        ({"suspects": {"belt": 0.05}}, "suspects"),  # as for everything else: it tells nothing
        ({"otherwise": 0}, "otherwise"),
        ({"otherwise": 2}, "otherwise"),
        ({"finds": "same", "clear": "Same"}, "clear"),
        ({"cautions": ["mw-hv"]}, "cautions"),
        ({"appliance": "toaster"}, "appliance"),
    ],
)
def test_a_check_that_cannot_be(
    bench: Bench, sign_in: Any, changed: dict[str, Any], field: str
) -> None:
    answer = sign_in("reviewer").post("/api/v1/fault-checks/", {**LISTEN, **changed}, format="json")
    assert answer.status_code == 400
    assert field in {one["field"].split(".")[0] for one in answer.data["errors"]}, answer.data
    assert not WorkshopCheck.of(bench.workshop).exists()
