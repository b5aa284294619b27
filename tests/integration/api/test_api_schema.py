"""The API's description: complete, without warnings, and its examples are true."""

from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest
from drf_spectacular.drainage import GENERATOR_STATS, reset_generator_stats
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema
from rest_framework.test import APIClient

from matching.api import rule_examples
from tests.factories import NOW, Bench
from workshop import imports
from workshop.api_schema import EXAMPLES

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

Schema = dict[str, Any]


@pytest.fixture(scope="module")
def schema() -> Schema:
    reset_generator_stats()
    found: Schema = SchemaGenerator().get_schema(request=None, public=True)
    assert not dict(GENERATOR_STATS._warn_cache), dict(GENERATOR_STATS._warn_cache)
    assert not dict(GENERATOR_STATS._error_cache), dict(GENERATOR_STATS._error_cache)
    return found


def test_it_is_made_without_warnings_and_valid(schema: Schema) -> None:
    """Against the JSON Schema of OpenAPI 3.0 that comes with the library."""
    validate_schema(schema)
    assert len(schema["paths"]) > 30


def test_it_can_be_browsed(bench: Bench) -> None:
    client = APIClient()
    client.force_login(bench.technician.user)
    page = client.get("/api/v1/docs/")
    assert page.status_code == 200
    assert b"https://" not in page.content.replace(b"https://testserver", b"")
    assert client.get("/api/v1/schema/").status_code == 200


def operations(schema: Schema) -> Iterator[tuple[str, str, Schema]]:
    for path, methods in schema["paths"].items():
        for method, operation in methods.items():
            yield path, method, operation


def test_repeating_a_request_is_described_wherever_it_may_be_repeated(schema: Schema) -> None:
    writing = {
        (path, method): [p["name"] for p in operation.get("parameters", [])]
        for path, method, operation in operations(schema)
        if method != "get"
    }
    without = {path for (path, _), names in writing.items() if "Idempotency-Key" not in names}
    assert without == {
        "/api/v1/token/",
        "/api/v1/token/end/",
        "/api/v1/find-numbers/",
        "/api/v1/parts/{ref}/bench-tests/preview/",
        "/api/v1/labels/",
        "/api/v1/build-dates/decode/",
        "/api/v1/plates/read/",
        # Their replies hold a secret, which is not kept for a repeat.
        "/api/v1/me/feed/",
        "/api/v1/webhooks/",
        "/api/v1/webhooks/{id}/rotate/",
    }
    assert len(writing) > 20
    for path, method, operation in operations(schema):
        names = [p["name"] for p in operation.get("parameters", [])]
        assert ("422" in operation["responses"]) == ("Idempotency-Key" in names), (path, method)


def request_examples(schema: Schema) -> list[tuple[str, str, str, Any]]:
    return [
        (path, method, name, example["value"])
        for path, method, operation in operations(schema)
        for content in operation.get("requestBody", {}).get("content", {}).values()
        for name, example in content.get("examples", {}).items()
    ]


def test_what_the_examples_send_is_taken(schema: Schema, bench: Bench, sign_in) -> None:
    """Each request example, sent to the API it describes."""
    found = [one for one in request_examples(schema) if one[0] != "/api/v1/webhooks/"]
    # Rules: propose, comment, approve, reject, retire; jobs: correct, refuse, weigh, urgency;
    # a listing; faults: signs, answers, needs, found, codes, symptoms, checks three times; own
    # figures; an import.
    assert len({path for path, *_ in found}) == 21
    table = imports.upload(
        member=bench.members["reviewer"],
        raw=b"Number,Firm\nK9-60 R1 W,Velthane\n",
        name="models.csv",
        kind="models",
        now=NOW,
    )
    slug = bench.faults(bench.job()).own_check
    for path, method, name, body in found:
        rule = sign_in("technician").post("/api/v1/rules/", rule_of(bench), format="json").data
        if path.endswith("/retire/"):
            sign_in("owner").post(f"/api/v1/rules/{rule['id']}/approve/", {}, format="json")
        of = table.pk if path.startswith("/api/v1/imports/") else rule["id"]
        address = path.replace("{id}", str(of)).replace("{ref}", bench.job().ref)
        address = address.replace("{slug}", slug)
        answer = getattr(sign_in("owner"), method)(address, body, format="json")
        assert answer.status_code in {200, 201}, (path, name, answer.data)


def rule_of(bench: Bench) -> dict[str, Any]:
    return {"kind": "door-lock", "says": "fits", "job_side": {"family": "W7"}}


def test_the_answers_shown_have_the_shape_of_the_answers_given(
    schema: Schema, bench: Bench, api: APIClient
) -> None:
    rule = api.post("/api/v1/rules/", rule_examples.FITS, format="json").data
    assert shape(rule) == shape(rule_examples.RULE)
    assert rule["in_words"] == rule_examples.RULE["in_words"]
    need = bench.need("W7-60 R2 W", built_from=date(2018, 1, 1), built_to=date(2018, 2, 1))
    part = bench.part(bench.donor("K3-60 R1 W"))
    type(part).of(bench.workshop).filter(pk=part.pk).update(
        part_number="BRD-2041.11", number_canonical="BRD204111"
    )
    impact = api.get(f"/api/v1/rules/{rule['id']}/impact/").data
    assert [one["job_ref"] for one in impact["gained"]] == [need.job.ref]
    assert shape(impact) == shape(rule_examples.IMPACT)


def shape(found: Any) -> Any:
    """Return the names of an answer at every depth; of a list the shape of its first row."""
    if isinstance(found, dict):
        free = {"donor_side", "job_side"}
        return {name: None if name in free else shape(value) for name, value in found.items()}
    if isinstance(found, list):
        return [shape(one) for one in found[:1]]
    return None


def test_the_problems_shown_are_those_given(bench: Bench, api: APIClient, sign_in) -> None:
    rules, reviewer = "/api/v1/rules/", sign_in("reviewer")
    bad = {**rule_of(bench), "job_side": {"built_from": "2020-01-02", "built_to": "2020-01-01"}}
    rule = api.post(rules, rule_of(bench), format="json").data
    approve = f"{rules}{rule['id']}/approve/"
    reviewer.post(approve, {}, format="json")
    key = {"Idempotency-Key": '"8e03978e-40d5-43dd-bc93-6994a57f9324"'}
    api.post(rules, rule_of(bench), format="json", headers=key)
    given = {
        "400": api.post(rules, bad, format="json"),
        "401": APIClient().get(rules),
        "403": api.post(approve, {}, format="json"),
        "404": api.get(f"{rules}99999/"),
        "409": reviewer.post(approve, {}, format="json"),
        "422": api.post(rules, rule_examples.FITS, format="json", headers=key),
    }
    assert set(given) == set(EXAMPLES)
    for status, answer in given.items():
        shown = EXAMPLES[status]
        assert str(answer.status_code) == status
        assert answer["Content-Type"] == "application/problem+json"
        same = ("type", "title", "status", "code")
        assert {k: answer.data[k] for k in same} == {k: shown[k] for k in same}
    assert given["400"].data == EXAMPLES["400"]
    assert given["422"].data == EXAMPLES["422"]
    assert given["401"].data == EXAMPLES["401"]
