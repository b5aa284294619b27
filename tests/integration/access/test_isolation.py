"""Nothing of another workshop comes out of any door (reliability plan, rows 5, 6, 15).

Every text of every private row of workshop B is replaced by a canary, in raw writes; then
workshop A opens every page and asks the API everything it may ask, searches for the canary, and
exports. What A sees must also be what it saw before B had any rows.
"""

import io
import logging
import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.core.management import call_command
from django.db import DatabaseError, models, transaction
from django.test import Client
from django.urls import reverse
from drf_spectacular.generators import SchemaGenerator
from rest_framework.test import APIClient

from config import api_urls
from tests.factories import Bench, make_bench
from tests.integration.api import test_walls as api_walls
from tests.integration.web import test_page_walls as page_walls
from tests.integration.workshop.test_constraints import _furnish
from workshop import integrity
from workshop.exchange import sheets
from workshop.models import RefCounter, User

pytestmark = pytest.mark.django_db

CANARY = "zzcan"


def plant(bench: Bench) -> int:
    """Replace every text of a workshop's rows that the database lets be any text."""
    planted = 0
    for model in integrity.owned_models():
        for field in model._meta.concrete_fields:
            is_text = isinstance(field, models.CharField | models.TextField | models.JSONField)
            if not is_text or field.choices or field.primary_key or field.generated:
                continue
            for pk in list(model.of(bench.workshop).values_list("pk", flat=True)):
                text = f"{CANARY}{pk}"[: field.max_length or 60]
                value = {"x": text} if isinstance(field, models.JSONField) else text
                try:
                    with transaction.atomic():
                        planted += (
                            model.of(bench.workshop).filter(pk=pk).update(**{field.name: value})
                        )
                except DatabaseError:
                    continue  # the database holds this column to something
    for user in User.objects.filter(memberships__workshop=bench.workshop):
        text = f"{CANARY}{user.pk}"
        names = {"username": text, "first_name": text, "last_name": text}
        planted += User.objects.filter(pk=user.pk).update(**names)
    return planted


def answers_of_api(bench: Bench, client: APIClient) -> Iterator[tuple[str, Any]]:
    plain = [f"/api/v1/{p.pattern}" for p in api_urls.urlpatterns if p.name != "api-docs"]
    for path in plain:
        if "<" in path:
            continue
        for asked in ({}, {"text": CANARY, "make": CANARY, "part_number": CANARY}):
            yield f"{path} {asked}", client.get(path, asked)


def answers_of_pages(client: Client, args: dict[str, list[Any]]) -> Iterator[tuple[str, Any]]:
    for route in page_walls.page_routes():
        if route in {"sign-out", "scanned"}:
            continue
        address = reverse(route, args=args[route])
        for asked in ({}, {"text": CANARY, "make": CANARY, "model_number": CANARY}):
            yield f"{route} {asked}", client.get(address, asked)
        if "-new" in route:  # what is typed is looked up: refusals and suggestions
            form = dict.fromkeys(("make", "model_number", "part_number", "kind"), CANARY)
            yield f"{route} posted", client.post(address, form)


@pytest.fixture
def two(bench: Bench) -> tuple[Bench, Bench]:
    args_of_a = page_walls.things(bench)
    bench.args = args_of_a  # type: ignore[attr-defined]
    other = make_bench("gannet")
    for prefix in ("D", "J", "L", "code"):
        RefCounter.of(other.workshop).update_or_create(
            prefix=prefix, defaults={"workshop": other.workshop, "last": 500_000}
        )
    _furnish(other)
    assert plant(other) > 100
    return bench, other


def found_in(text: str) -> bool:
    """Whether one of B's canaries is there: they carry a row's number, what A types does not."""
    at = text.find(CANARY)
    while at >= 0:
        if text[at + len(CANARY) : at + len(CANARY) + 1].isalnum():
            return True
        at = text.find(CANARY, at + 1)
    return False


@pytest.mark.any_engine
def test_no_page_answer_export_or_log_shows_a_canary(
    two: tuple[Bench, Bench], caplog: pytest.LogCaptureFixture
) -> None:
    ours, theirs = two
    browser, client = Client(raise_request_exception=True), APIClient()
    browser.force_login(ours.members["owner"].user)
    client.force_authenticate(ours.members["owner"].user)
    leaks = []
    with caplog.at_level(logging.DEBUG):
        answers = [
            *answers_of_pages(browser, ours.args),  # type: ignore[attr-defined]
            *answers_of_api(ours, client),
        ]
    for name, answer in answers:
        body = b"".join(answer) if answer.streaming else answer.content
        if found_in(body.decode("utf-8", "replace")):
            leaks.append(name)
    for kind in sheets.kinds():
        out = io.StringIO()
        call_command("export_csv", kind, "-", workshop=ours.workshop.slug, stdout=out)
        if found_in(out.getvalue()):
            leaks.append(f"export {kind}")
    if found_in(caplog.text):
        leaks.append("log")
    assert leaks == []
    # Negative control: B's own owner meets them.
    client.force_authenticate(theirs.members["owner"].user)
    assert found_in(client.get("/api/v1/parts/").content.decode())
    assert found_in(client.get("/api/v1/members/").content.decode())


@pytest.mark.any_engine
def test_what_is_seen_is_what_was_seen_before_the_other_was_there(bench: Bench) -> None:
    client = APIClient()
    client.force_authenticate(bench.members["owner"].user)
    api_walls.things(bench)
    bench.drain()

    def seen() -> dict[str, Any]:
        return {name: answer.content for name, answer in answers_of_api(bench, client)}

    seen()  # what a first look stores is stored
    before = seen()
    other = make_bench("gannet")
    _furnish(other)
    other.drain()
    after = seen()
    changed = [name for name in before if before[name] != after[name]]
    assert changed == []


# Whole numbers in what may be sent that count something; all others name a row.
COUNTS = {
    "alert_from_percent",
    "date_code_start",
    "days",
    "days_kept",
    "days_to_failure",
    "first_review_days",
    "hold_days",
    "labour_minutes",
    "major_faults",
    "margin_percent",
    "new_part_days",
    "patience_days",
    "proposal_hours",
    "second_review_days",
    "sold_from",
    "sold_to",
    "start",
    "urgency",
    "wait_days",
}


def names_of_theirs(bench: Bench) -> dict[str, Any]:
    """Return for every field that names a row what it is of this workshop."""
    donor = bench.donor()
    part, need = bench.part(donor), bench.need()
    step = bench.licensed_record(bench.donor("W7-60 R1 S"))
    return {
        "certificate": step.certificate_id,
        "member_id": bench.technician.pk,
        "model_id": bench.makes["Velthane"].numbers.first().pk,
        "need": need.pk,
        "part_ref": part.ref,
        "donor": donor.ref,
        "parts": [part.ref],
        "replaces": bench.rule(state="approved").pk,
        "second_person": bench.members["reviewer"].pk,
        "technician": bench.technician.pk,
    }


def writing_operations(schema: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Yield path, method and the fields that may be sent."""
    for path, methods in schema["paths"].items():
        for method, operation in methods.items():
            for content in operation.get("requestBody", {}).get("content", {}).values():
                shape = content["schema"]
                while "$ref" in shape:
                    shape = schema["components"]["schemas"][shape["$ref"].split("/")[-1]]
                yield path, method, shape.get("properties", {})


def test_no_field_takes_a_row_of_another_workshop(bench: Bench, other_bench: Bench) -> None:
    """Every field of every operation that names a row, from the API's own description."""
    api_walls.unique_refs(other_bench)
    theirs = names_of_theirs(other_bench)
    ours = api_walls.things(bench)
    templates = {template(p.pattern): p.name for p in api_urls.urlpatterns}
    plain = {p.name: f"/api/v1/{p.pattern}" for p in api_urls.urlpatterns}
    bodies = {**{name: body or {} for name, body in api_walls.LISTS.items()}, **api_walls.BODIES}
    client = APIClient()
    client.force_authenticate(bench.members["owner"].user)
    before = api_walls.snapshot(other_bench)
    tried, unknown, taken = set(), set(), []
    for path, method, fields in writing_operations(SchemaGenerator().get_schema(public=True)):
        for field, shape in fields.items():
            if field not in theirs:
                if shape.get("type") == "integer" and field not in COUNTS:
                    unknown.add(field)
                continue
            if field == "parts" and not path.endswith("labels/"):
                continue  # kinds of part, not parts
            name = templates[path]
            body = {**bodies.get(name, {}), field: theirs[field]}
            answer = getattr(client, method)(ours.get(name, plain[name]), body, format="json")
            tried.add(field)
            if not 400 <= answer.status_code < 500:
                taken.append((method, path, field, answer.status_code))
    assert unknown == set()  # a new field: say whether it counts or names
    assert taken == []
    assert tried == set(theirs)
    assert api_walls.snapshot(other_bench) == before


def template(pattern: Any) -> str:
    """Return a route as the description writes it."""
    path = re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", str(pattern)).replace("{pk}", "{id}")
    return f"/api/v1/{path}"
