"""API tokens: hashed, scoped, of one workshop, with an end; every route and method walked."""

import base64
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from knox.models import AuthToken
from rest_framework.test import APIClient

from config import api_urls
from tests.factories import PASSWORD, Bench
from tests.integration.api import test_walls as walls
from tests.integration.web.reading import text_of
from workshop.access import api_tokens, tries
from workshop.models import ApiToken, Member, Role

pytestmark = pytest.mark.django_db


def client_with(token: str) -> APIClient:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Token {token}")
    return client


def ask(body: dict[str, Any] | None = None, password: str = PASSWORD, **headers: str) -> Any:
    basic = base64.b64encode(f"millrace-technician:{password}".encode()).decode()
    headers = {"Authorization": f"Basic {basic}", **headers}
    return APIClient().post("/api/v1/token/", body or {}, format="json", headers=headers)


def every_address(bench: Bench) -> list[str]:
    plain = [f"/api/v1/{p.pattern}" for p in api_urls.urlpatterns]
    return [*walls.things(bench).values(), *(path for path in plain if "<" not in path)]


def everything_but_use(bench: Bench) -> list[Any]:
    """Return all rows; that the token itself was used is noted on it."""
    return [
        [{name: value for name, value in row.items() if name != "used_at"} for row in rows]
        for rows in walls.snapshot(bench)
    ]


@pytest.mark.any_engine
def test_a_token_that_reads_writes_nothing_anywhere(bench: Bench) -> None:
    """Every address and unsafe method; that it may end itself is the one exception."""
    paths = every_address(bench)
    _, token = bench.api_token("read", role="owner")
    client = client_with(token)
    before = everything_but_use(bench)
    for path in paths:
        if path in {"/api/v1/token/", "/api/v1/token/end/"}:
            continue  # answers to name and password only; ends the token itself
        for method in ("post", "put", "patch", "delete"):
            answer = getattr(client, method)(path, {}, format="json")
            assert answer.status_code == 403, (method, path, answer.status_code)
        assert client.get(path).status_code != 403, path
    assert everything_but_use(bench) == before
    assert client.post("/api/v1/token/end/").status_code == 204
    assert client.get("/api/v1/jobs/").status_code == 401


@pytest.mark.parametrize(
    ("scope", "role", "may"),
    [
        ("write", "owner", {"technician"}),
        ("review", "owner", {"technician", "reviewer"}),
        ("all", "owner", {"technician", "reviewer", "owner"}),
        ("all", "technician", {"technician"}),
        ("review", "cataloguer", set()),
    ],
)
def test_a_scope_holds_a_member_to_less_and_never_gives_more(
    bench: Bench, scope: str, role: str, may: set[str]
) -> None:
    client = client_with(bench.api_token(scope, role)[1])
    asked = {
        "technician": client.post("/api/v1/jobs/", walls.JOB, format="json"),
        "reviewer": client.post("/api/v1/symptoms/", {}, format="json"),
        "owner": client.post("/api/v1/webhooks/", {}, format="json"),
    }
    assert {name for name, answer in asked.items() if answer.status_code != 403} == may


def test_scopes_hold_the_services_too(bench: Bench) -> None:
    """A rule is decided by who covers the reviewer; a token that writes does not."""
    rule = bench.rule()
    for scope, status in (("write", 403), ("review", 200)):
        client = client_with(bench.api_token(scope, "owner")[1])
        assert client.post(f"/api/v1/rules/{rule.pk}/approve/").status_code == status


def test_a_token_is_kept_as_a_hash(bench: Bench) -> None:
    _, token = bench.api_token()
    kept = [
        str(row) for row in (*AuthToken.objects.values(), *ApiToken.of(bench.workshop).values())
    ]
    assert all(token not in row and token[20:40] not in row for row in kept)


def test_a_token_ends_by_itself(bench: Bench) -> None:
    facts, token = bench.api_token()
    assert client_with(token).get("/api/v1/jobs/").status_code == 200
    AuthToken.objects.filter(pk=facts.token_id).update(expiry=timezone.now() - timedelta(seconds=1))
    assert client_with(token).get("/api/v1/jobs/").status_code == 401
    assert not ApiToken.of(bench.workshop).exists()


def test_a_token_is_of_one_workshop(bench: Bench, other_bench: Bench) -> None:
    user = bench.technician.user
    Member.objects.create(workshop=other_bench.workshop, user=user, role=Role.OWNER)
    other_bench.donor()
    there = ask(**{"X-Workshop": "gannet"}).data
    assert there["workshop"] == "gannet"
    assert client_with(there["token"]).get("/api/v1/donors/").data["count"] == 1
    here = ask().data
    assert here["workshop"] == "millrace"
    client = client_with(here["token"])
    assert client.get("/api/v1/donors/").data["count"] == 0
    answer = client.get("/api/v1/donors/", headers={"X-Workshop": "gannet"})
    assert answer.status_code == 403


def test_wrong_passwords_are_limited_as_on_the_site(bench: Bench) -> None:
    answers = [ask(password="wrong") for _ in range(tries.MOST + 1)]
    assert [one.status_code for one in answers] == [401] * tries.MOST + [429]
    assert ask().status_code == 429
    assert answers[-1]["Retry-After"] == "900"


def test_how_long_and_for_what(bench: Bench) -> None:
    given = ask({"name": "scale", "scope": "read", "days": 30})
    assert given.status_code == 201
    left = given.data["expires_at"] - timezone.now()
    assert timedelta(days=29, hours=23) < left <= timedelta(days=30)
    ten_hours = ask().data["expires_at"] - timezone.now()
    assert timedelta(hours=9) < ten_hours <= timedelta(hours=10)
    for body in ({"days": 0}, {"days": 367}, {"scope": "everything"}, {"name": ""}):
        assert ask(body).status_code == 400, body


def test_who_sees_and_ends_which(bench: Bench, other_bench: Bench) -> None:
    mine, token = bench.api_token(role="technician")
    owners, owner_token = bench.api_token(role="owner")
    foreign, _ = other_bench.api_token()
    technician, owner = client_with(token), client_with(owner_token)
    assert [one["id"] for one in technician.get("/api/v1/tokens/").data["results"]] == [mine.pk]
    seen = owner.get("/api/v1/tokens/").data["results"]
    assert {one["id"] for one in seen} == {mine.pk, owners.pk}
    assert token not in str(seen)
    for pk in (owners.pk, foreign.pk, 999_999):
        assert technician.delete(f"/api/v1/tokens/{pk}/").status_code == 404
    assert owner.delete(f"/api/v1/tokens/{mine.pk}/").status_code == 204
    assert technician.get("/api/v1/jobs/").status_code == 401


def test_when_a_token_was_last_used_is_noted_to_the_hour(
    bench: Bench, django_assert_num_queries: Any
) -> None:
    facts, token = bench.api_token()
    client = client_with(token)
    client.get("/api/v1/jobs/")
    facts.refresh_from_db()
    assert facts.used_at is not None
    assert (facts.used_at.minute, facts.used_at.second) == (0, 0)
    first = facts.used_at
    client.get("/api/v1/jobs/")
    facts.refresh_from_db()
    assert facts.used_at == first


def test_no_more_than_so_many(bench: Bench) -> None:
    for _ in range(api_tokens.MOST):
        bench.api_token()
    assert ask().status_code == 409
    assert ApiToken.of(bench.workshop).count() == api_tokens.MOST


def test_a_program_that_signs_in_at_each_start_ends_its_own_oldest_token(bench: Bench) -> None:
    bench.api_token()  # named: stays
    oldest = ask().data["token"]
    for _ in range(api_tokens.MOST - 2):
        ask()
    assert client_with(oldest).get("/api/v1/jobs/").status_code == 200
    newest = ask()
    assert newest.status_code == 201
    assert client_with(oldest).get("/api/v1/jobs/").status_code == 401
    assert ApiToken.of(bench.workshop).count() == api_tokens.MOST
    assert ApiToken.of(bench.workshop).filter(name="scale").exists()


def test_on_the_page_a_token_is_made_shown_once_and_ended(bench: Bench) -> None:
    client = Client()
    client.force_login(bench.technician.user)
    body = {"name": "scale at the door", "scope": "read", "days": 30, "password": PASSWORD}
    refused = client.post(reverse("account-token-new"), {**body, "password": "wrong"})
    assert refused.status_code == 400
    made = client.post(reverse("account-token-new"), body)
    token = made.context["new_token"]
    assert token in made.content.decode()
    assert client_with(token).get("/api/v1/jobs/").status_code == 200
    page = client.get(reverse("account"))
    assert token not in page.content.decode()
    assert "scale at the door read only" in text_of(page)
    row = ApiToken.of(bench.workshop).get()
    owner = Client()
    owner.force_login(bench.members["owner"].user)
    assert "scale at the door" in text_of(owner.get(reverse("people")))
    owner.post(reverse("account-token-end", args=[row.pk]), {"from": "people"})
    assert client_with(token).get("/api/v1/jobs/").status_code == 401
