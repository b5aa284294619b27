"""Rule review over the API: who may decide, what a rule changes, what is refused."""

import json
from typing import Any

import pytest
from rest_framework.test import APIClient

from donors.domain.machines import Machine
from matching import gather
from matching.domain.sides import Side
from matching.models import Match, Outcome, Rule
from tests.factories import TODAY, Bench
from workshop.models import Member

pytestmark = pytest.mark.django_db

RULE: dict[str, Any] = {
    "kind": "control-board",
    "says": "fits",
    "donor_side": {"make": "Velthane", "family": "K3"},
    "job_side": {"make": "Velthane", "family": "W7"},
    "evidence": "tried on the bench",
    "source": "workshop notes",
}


def propose(client: APIClient, **change: Any) -> Any:
    return client.post("/api/v1/rules/", {**RULE, **change}, format="json")


def approve(client: APIClient, rule_id: int, **body: Any) -> Any:
    return client.post(f"/api/v1/rules/{rule_id}/approve/", body, format="json")


def test_a_rule_brings_a_match_once_it_is_approved_and_takes_it_away_when_retired(
    bench: Bench, api: APIClient, sign_in
) -> None:
    need = bench.need("W7-60 R1 W")
    part = bench.part(bench.donor("K3-60 R1 W"))
    bench.drain()
    before = Match.of(bench.workshop).filter(need=need, part=part).first()
    rule = propose(api).data
    bench.drain()
    assert Match.of(bench.workshop).filter(need=need, part=part).first() == before

    impact = api.get(f"/api/v1/rules/{rule['id']}/impact/").data
    assert [one["part_ref"] for one in impact["gained"]] == [part.ref]
    assert impact["lost"] == []

    assert approve(sign_in("reviewer"), rule["id"], note="agreed").status_code == 200
    bench.drain()
    match = Match.of(bench.workshop).get(need=need, part=part)
    gained = impact["gained"][0]
    assert match.p_fit == pytest.approx(gained["p_fit_after"])
    assert "Approved rule" in match.reasons[-2]["sentence"]

    shown = sign_in("owner").post(f"/api/v1/rules/{rule['id']}/retire/", {}, format="json").data
    assert [entry["act"] for entry in shown["record"]] == ["proposed", "approved", "retired"]
    bench.drain()
    after = Match.of(bench.workshop).filter(need=need, part=part).first()
    assert (after.p_fit if after else 0) == pytest.approx(gained["p_fit_before"], abs=0.08)


def test_a_refusal_takes_matches_away_and_its_record_is_counted(
    bench: Bench, api: APIClient, sign_in
) -> None:
    need = bench.need("W7-60 R1 W")
    part = bench.part(bench.donor("W7-60 R1 S"))
    machine = {"make": "Velthane", "family": "W7", "number": "W760R1S", "fields": {}}
    for number, result in enumerate(["did-not-fit", "did-not-fit", "worked"]):
        Outcome.objects.create(
            workshop=bench.workshop,
            kind_id="control-board",
            fitted_on=TODAY,
            result=result,
            fingerprint=str(number),
            learned={"donor": machine, "job": machine},
        )
    bench.drain()
    side = {"make": "Velthane", "family": "W7"}
    rule = propose(api, says="does-not-fit", donor_side=side, job_side=side).data
    impact = api.get(f"/api/v1/rules/{rule['id']}/impact/").data
    assert [one["job_ref"] for one in impact["lost"]] == [need.job.ref]
    assert (impact["agree"], impact["disagree"]) == (2, 1)
    # Wilson 95 % of 2 of 3, computed with scipy.stats.binomtest(2, 3).proportion_ci("wilson").
    from scipy.stats import binomtest

    interval = binomtest(2, 3).proportion_ci(0.95, "wilson")
    assert impact["interval"] == pytest.approx([interval.low, interval.high])
    approve(sign_in("reviewer"), rule["id"])
    bench.drain()
    assert not Match.of(bench.workshop).filter(need=need, part=part).exists()


def test_nobody_approves_their_own_proposal_unless_alone(bench: Bench, sign_in) -> None:
    reviewer = sign_in("reviewer")
    rule = propose(reviewer).data
    refused = approve(reviewer, rule["id"])
    assert refused.status_code == 403
    assert "another reviewer" in refused.data["detail"]
    assert approve(sign_in("technician"), rule["id"]).status_code == 403
    others = Member.of(bench.workshop).exclude(pk=bench.members["reviewer"].pk)
    others.update(active=False)
    assert approve(reviewer, rule["id"]).status_code == 200


def test_a_decided_rule_is_not_decided_again(bench: Bench, api: APIClient, sign_in) -> None:
    rule, reviewer = propose(api).data, sign_in("reviewer")
    reject = f"/api/v1/rules/{rule['id']}/reject/"
    assert reviewer.post(reject, {"note": "too wide"}, format="json").data["state"] == "rejected"
    assert reviewer.post(reject, {}, format="json").status_code == 409
    assert approve(reviewer, rule["id"]).status_code == 409


def test_a_contradiction_must_say_what_it_replaces(bench: Bench, api: APIClient, sign_in) -> None:
    reviewer = sign_in("reviewer")
    first = propose(api).data
    approve(reviewer, first["id"])
    refused = propose(api, says="does-not-fit")
    assert refused.status_code == 400
    assert refused.data["errors"][0]["field"] == "replaces"
    assert f"rule {first['id']}" in refused.data["detail"]
    third = propose(api, says="does-not-fit", replaces=first["id"]).data
    impact = api.get(f"/api/v1/rules/{third['id']}/impact/").data
    assert impact["contradicts"] == [first["id"]]
    assert approve(reviewer, third["id"]).status_code == 200
    assert api.get(f"/api/v1/rules/{first['id']}/").data["state"] == "retired"
    narrow = propose(api, job_side={"make": "Velthane", "family": "Z9"}).data
    assert approve(reviewer, narrow["id"]).status_code == 200


def test_a_contradiction_that_arose_since_is_refused_at_the_decision(
    bench: Bench, api: APIClient, sign_in
) -> None:
    reviewer = sign_in("reviewer")
    first, second = propose(api).data, propose(api, says="does-not-fit").data
    approve(reviewer, first["id"])
    refused = approve(reviewer, second["id"])
    assert refused.status_code == 409
    assert f"rule {first['id']}" in refused.data["detail"]
    assert api.get(f"/api/v1/rules/{second['id']}/").data["state"] == "proposed"


BAD: dict[str, tuple[dict[str, Any], str]] = {
    "no condition": ({"donor_side": {}, "job_side": {}}, "donor_side"),
    "unknown condition": ({"job_side": {"shape": "round"}}, "job_side.shape"),
    "unknown make": ({"job_side": {"make": "Nobody"}}, "job_side.make"),
    "field no make has": ({"job_side": {"fields": {"shape": "x"}}}, "job_side.fields.shape"),
    "field its pattern lacks": (
        {"job_side": {"make": "Velthane", "fields": {"market": "E"}}},
        "job_side.fields.market",
    ),
    "make without a pattern": (
        {"job_side": {"make": "Borsund", "fields": {"revision": "1"}}},
        "job_side.fields.revision",
    ),
    "reversed": (
        {"job_side": {"built_from": "2020-01-02", "built_to": "2020-01-01"}},
        "job_side.built_to",
    ),
    "no date": ({"donor_side": {"built_from": "soon"}}, "donor_side.built_from"),
    "numbers that are none": ({"donor_side": {"part_numbers": ["--"]}}, "donor_side.part_numbers"),
    "attribute name": (
        {"donor_side": {"attributes": {"Big V": "1"}}},
        "donor_side.attributes.Big V",
    ),
    "conditions not named": ({"says": "fits-with-conditions"}, "conditions"),
    "unknown kind": ({"kind": "flux-valve"}, "kind"),
    "unknown verdict": ({"says": "perhaps"}, "says"),
    "open end reversed against nothing": (
        {"donor_side": {"built_from": "2020-01-01", "built_to": "2019-12-31"}},
        "donor_side.built_to",
    ),
    "day in another spelling": (
        {"donor_side": {"built_from": "20200101"}},
        "donor_side.built_from",
    ),
    "day as a number": ({"donor_side": {"built_to": 2020}}, "donor_side.built_to"),
    "day that is none": ({"donor_side": {"built_to": "2019-02-29"}}, "donor_side.built_to"),
    "side that is a list": ({"donor_side": ["make"]}, "donor_side"),
    "side that is a text": ({"job_side": "Velthane"}, "job_side"),
    "make that is a number": ({"job_side": {"make": 7}}, "job_side.make"),
    "make that is null": ({"job_side": {"make": None}}, "job_side.make"),
    "family that is blank": ({"job_side": {"family": " "}}, "job_side.family"),
    "family too long": ({"job_side": {"family": "W" * 81}}, "job_side.family"),
    "family with NUL": ({"job_side": {"family": "W\x007"}}, "job_side.family"),
    "family with half a character": ({"job_side": {"family": "W\ud800"}}, "job_side.family"),
    "fields that are a list": ({"job_side": {"fields": ["revision"]}}, "job_side.fields"),
    "field value that is a number": ({"job_side": {"fields": {"revision": 1}}}, "job_side.fields"),
    "fields within fields": (
        {"job_side": {"fields": {"revision": {"revision": "1"}}}},
        "job_side.fields",
    ),
    "numbers that are a text": ({"donor_side": {"part_numbers": "B1"}}, "donor_side.part_numbers"),
    "numbers that are numbers": ({"donor_side": {"part_numbers": [1]}}, "donor_side.part_numbers"),
    "no numbers": ({"donor_side": {"part_numbers": []}}, "donor_side.part_numbers"),
    "number with NUL": ({"donor_side": {"part_numbers": ["B\x001"]}}, "donor_side.part_numbers"),
    "too many numbers": (
        {"donor_side": {"part_numbers": [f"B{number}" for number in range(201)]}},
        "donor_side.part_numbers",
    ),
    "number too long": ({"donor_side": {"part_numbers": ["B" * 81]}}, "donor_side.part_numbers"),
    "too many attributes": (
        {"donor_side": {"attributes": {f"a{number}": "x" for number in range(41)}}},
        "donor_side.attributes",
    ),
    "attribute that is a list": (
        {"donor_side": {"attributes": {"mount": ["3-lug"]}}},
        "donor_side.attributes",
    ),
    "both ways of neither kind": ({"both_ways": "sideways"}, "both_ways"),
    "evidence too long": ({"evidence": "x" * 4001}, "evidence"),
    "evidence with NUL": ({"evidence": "\x00"}, "evidence"),
    "conditions too long": ({"conditions": "x" * 2001}, "conditions"),
    "replaces a rule that is not there": ({"replaces": 999_999}, "replaces"),
    "replaces what is no number": ({"replaces": "the old one"}, "replaces"),
    "replaces a number no database holds": ({"replaces": 2**70}, "replaces"),
    "kind that is a list": ({"kind": ["control-board"]}, "kind"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_rule_is_refused_by_field(name: str, bench: Bench, api: APIClient) -> None:
    change, field = BAD[name]
    body = json.dumps({**RULE, **change})
    answer = api.post("/api/v1/rules/", body, content_type="application/json")
    assert answer.status_code == 400, answer.data
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.data["detail"]
    assert field in {error["field"] for error in answer.data["errors"]}, answer.data
    assert api.get("/api/v1/rules/").data["count"] == 0


@pytest.mark.parametrize("body", ["[]", "7", "null", '"x"', "{", ""])
def test_a_body_that_is_no_rule_is_refused(body: str, bench: Bench, api: APIClient) -> None:
    answer = api.post("/api/v1/rules/", body, content_type="application/json")
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"


def test_a_rule_of_another_workshop_cannot_be_replaced(
    bench: Bench, other_bench: Bench, api: APIClient, sign_in
) -> None:
    theirs = propose(sign_in("owner", at=other_bench)).data
    answer = propose(api, replaces=theirs["id"])
    assert answer.status_code == 400
    assert answer.data["errors"][0]["field"] == "replaces"


BOMBS = ["(a+)+$", "(.*)*(.*)*x", "^(([a-z])+.)+[A-Z]([a-z])+$", "(?P<family>(a|aa)+)$", "%_%"]


@pytest.mark.parametrize("bomb", BOMBS)
def test_text_that_looks_like_a_pattern_is_compared_as_text(
    bomb: str, bench: Bench, api: APIClient, sign_in
) -> None:
    """Conditions take no pattern: a value equals or it does not, so nothing can be stalled."""
    rule = propose(api, job_side={"family": bomb, "attributes": {"mount": bomb}})
    assert rule.status_code == 201
    stated = gather.as_approved(Rule.of(bench.workshop).get())
    attributes = {"mount": bomb}
    same = Side(machine=Machine(make="Velthane", family="K3"), attributes=attributes)
    offer = Side(machine=Machine(make="Velthane", family="K3"))
    want = Side(machine=Machine(family=bomb), attributes=attributes)
    assert stated.applies(offer, want)
    assert not stated.applies(offer, same)
    many = Side(machine=Machine(family="a" * 10_000 + "!"), attributes={"mount": "a" * 10_000})
    assert not stated.applies(offer, many)
    found = api.get("/api/v1/rules/", {"text": bomb}).data
    assert found["count"] == 1
    assert api.get("/api/v1/rules/", {"text": bomb + "?"}).data["count"] == 0


PATTERNS = {
    r"(?P<family>a)(?=b)": "look-around",
    r"(?P<family>(a)\2)": "linear-time",
    r"(?P<shape>a)": "names shape",
    "(a+)+$": "names no field",
    r"(?P<family>((a{100}){100}){100})": "linear-time",
    r"(?P<family>(?:a{1000}){1000})": "linear-time",
    r"(?P<family>a)(?P<family>b)": "names family twice",
    "a" * 201: "at most 200",
    r"(?P<family>a": "linear-time",
}


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_make_pattern_that_cannot_be_kept_is_refused_with_the_reason(
    pattern: str, bench: Bench, sign_in
) -> None:
    body = {"name": "Ostrelle", "pattern": pattern}
    answer = sign_in("reviewer").post("/api/v1/makes/", body, format="json")
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert [error["field"] for error in answer.data["errors"]] == ["pattern"]
    assert PATTERNS[pattern] in answer.data["detail"]


def test_comments_are_kept_with_who_and_when(bench: Bench, api: APIClient, sign_in) -> None:
    rule = propose(api).data
    path = f"/api/v1/rules/{rule['id']}/comments/"
    shown = sign_in("owner").post(path, {"note": "which index?"}, format="json").data
    assert shown["record"][-1]["by"] == "millrace-owner"
    assert shown["record"][-1]["note"] == "which index?"
    assert api.post(path, {"note": " "}, format="json").status_code == 400
    found = api.get("/api/v1/rules/", {"state": "proposed", "kind": "control-board"}).data
    assert found["count"] == 1
