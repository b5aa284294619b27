"""The API's description: complete, without warnings, and its examples are true."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest
from django.utils import timezone
from drf_spectacular.drainage import GENERATOR_STATS, reset_generator_stats
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema
from jsonschema import Draft4Validator
from rest_framework.test import APIClient

from donors.models import Listing
from matching import keeping
from matching.api import job_examples, rule_examples
from matching.keeping import Answer
from tests.factories import NOW, TODAY, Bench
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
        "/api/v1/invitations/",
        # And this one's personal data.
        "/api/v1/jobs/{ref}/customer/",
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
    # figures. Then: wait, keep, permission; decline, keep out; warranty; triage figures and a rule
    # of thumb; a listing corrected, closed, bought, and its terms; an import.
    assert len({path for path, *_ in found}) == 33
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
        names = {"id": str(of), "slug": slug, **_named_in(path, bench)}
        address = path
        for what, value in names.items():
            address = address.replace(f"{{{what}}}", value)
        body = _of_today(path, body, bench)
        answer = getattr(sign_in("owner"), method)(address, body, format="json")
        assert answer.status_code in {200, 201}, (path, name, answer.data)


def _named_in(path: str, bench: Bench) -> dict[str, str]:
    """Return what an address names: rows made for it, of the kind it wants."""
    if path.startswith("/api/v1/listings/{ref}"):
        # Each of another number and price: what was closed by one example is not seen again.
        count = Listing.of(bench.workshop).count()
        text = f"Velthane washing machine, model W7-{count + 10} R1 W, does not drain. {count} EUR."
        return {"ref": bench.listing(text, link=f"https://example.test/{count}").ref}
    if path.startswith("/api/v1/rules-of-thumb/"):
        return {"slug": "share-old"}
    if path.startswith("/api/v1/proposals/"):
        need = bench.need()
        return {"id": str(bench.proposal(bench.part(bench.donor()), need).pk)}
    job = bench.job()
    if path.endswith("/keep/"):
        bench.refuse(job.ref)
        who = {"workshop": bench.workshop, "member": bench.technician, "now": NOW}
        keeping.note_permission(ref=job.ref, answer=Answer("yes", "owner", "signed", TODAY), **who)
    return {"ref": job.ref}


def _of_today(path: str, body: Any, bench: Bench) -> Any:
    """Return an example with the days and needs of this test in place of its own."""
    if path.endswith("/wait/"):
        return {"wait_until": (timezone.localdate() + timedelta(days=21)).isoformat()}
    if path.endswith("/allocation/kept/"):
        return {**body, "need": bench.need().pk}
    return body


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


def answer_examples(schema: Schema) -> list[tuple[str, Schema, Any]]:
    return [
        (f"{method} {path} {status}: {name}", content["schema"], example["value"])
        for path, method, operation in operations(schema)
        for status, response in operation["responses"].items()
        for content in response.get("content", {}).values()
        for name, example in content.get("examples", {}).items()
    ]


def json_schema(part: Any) -> Any:
    """Return a part of OpenAPI 3.0 as JSON Schema: what is nullable may be null as well."""
    if isinstance(part, list):
        return [json_schema(one) for one in part]
    if not isinstance(part, dict):
        return part
    found = {name: json_schema(value) for name, value in part.items() if name != "nullable"}
    return {"anyOf": [found, {"type": "null"}]} if part.get("nullable") is True else found


def test_the_answers_shown_are_what_their_schema_says(schema: Schema) -> None:
    found = answer_examples(schema)
    assert len([name for name, *_ in found if " 2" in name]) >= 30
    components = json_schema(schema["components"])
    for name, wanted, value in found:
        judge = Draft4Validator({**json_schema(wanted), "components": components})
        assert not list(judge.iter_errors(value)), (name, [*judge.iter_errors(value)][:2])


def test_an_answer_that_lacks_a_field_would_be_noticed(schema: Schema) -> None:
    wanted = {"$ref": "#/components/schemas/PartProposalOutput"}
    judge = Draft4Validator({**wanted, "components": json_schema(schema["components"])})
    assert judge.is_valid(job_examples.PROPOSAL)
    lacking = {k: v for k, v in job_examples.PROPOSAL.items() if k != "part_ref"}
    assert not judge.is_valid(lacking)
    assert not judge.is_valid({**job_examples.PROPOSAL, "p_fit": "much"})


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
