"""The table of who may do what (tests/data/who_may.csv) beside what the service really allows.

A route or method that is not in the table, or asks for another role than it says, fails; so does
a line whose route is gone. Least role: "nobody signed in" is said by "anyone".
"""

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient

from config import api_urls
from tests.factories import Bench
from tests.integration.api import test_walls as api_walls
from tests.integration.web import test_page_walls as page_walls
from workshop.models import Role

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

TABLE = Path(__file__).resolve().parents[2] / "data" / "who_may.csv"
METHODS = ("get", "post", "put", "patch", "delete")
# About things every workshop has: kinds of machine, their steps, the guide's rules.
ABOUT_ALL = {
    "api-rule-of-thumb": "/api/v1/rules-of-thumb/share-young/",
    "api-strip-steps": "/api/v1/strip-steps/washing-machine/",
    "api-strip-step-minutes": "/api/v1/strip-steps/washing-machine/lid-off/minutes/",
}
Found = dict[tuple[str, str], str]


def table(kind: str) -> Found:
    with TABLE.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["kind"] == kind]
    return {(row["route"], row["method"]): row["least_role"] for row in rows}


def least(ask: Callable[[str], Any]) -> str:
    """Return the least role that is let in; "anyone" when strangers are, "-" when nobody is."""
    stranger = ask("")
    if stranger.status_code not in {401, 403, 405} and "/sign-in/?next" not in str(
        stranger.headers.get("Location", "")
    ):
        return "anyone"
    for role in Role.values:
        status = ask(role).status_code
        if status == 405:
            return ""
        if status != 403:
            return role
    return "-"


def measured_api(bench: Bench) -> Found:
    clients = {"": APIClient()} | {role: APIClient() for role in Role.values}
    for role in Role.values:
        clients[role].force_authenticate(bench.members[role].user)
    paths = {p.name: f"/api/v1/{p.pattern}" for p in api_urls.urlpatterns}
    paths |= api_walls.things(bench) | ABOUT_ALL
    found = {}
    for name, path in paths.items():
        if name in api_walls.OUTSIDE:
            continue
        for method in METHODS:
            role = least(lambda who: getattr(clients[who], method)(path, {}, format="json"))  # noqa: B023
            if role:
                found[name, method] = role
        # HEAD is a GET whose body is left out; OPTIONS tells strangers nothing of the API.
        assert least(lambda who: clients[who].head(path)) == found.get((name, "get"), ""), name  # noqa: B023
        assert clients[""].options(path).status_code == 401, name
    return found


def measured_pages(bench: Bench) -> Found:
    clients = {"": Client()} | {role: Client() for role in Role.values}
    for role in Role.values:
        clients[role].force_login(bench.members[role].user)
    args = page_walls.things(bench)
    found = {}
    for name in page_walls.page_routes():
        if name == "sign-out":
            continue  # would sign everybody out
        address = reverse(name, args=args[name])
        for method in ("get", "post"):
            role = least(lambda who: getattr(clients[who], method)(address))  # noqa: B023
            if role:
                found[name, method] = role
        assert least(lambda who: clients[who].head(address)) == found.get((name, "get"), ""), name  # noqa: B023
        shown = least(lambda who: clients[who].options(address))  # noqa: B023
        assert shown in {"", "-", found.get((name, "get"), "")}, (name, shown)
    return found


@pytest.mark.parametrize(("kind", "measured"), [("api", measured_api), ("page", measured_pages)])
def test_the_table_and_the_service_agree(
    kind: str, measured: Callable[[Bench], Found], bench: Bench
) -> None:
    said, is_so = table(kind), measured(bench)
    wrong = {
        key: f"the table says {said.get(key)}, it is {is_so.get(key)}"
        for key in sorted(said.keys() | is_so.keys())
        if said.get(key) != is_so.get(key)
    }
    if wrong:  # as the lines would read, to be judged before they are taken over
        print("\n".join(f"{kind},{name},{how},{who}" for (name, how), who in is_so.items()))
    assert wrong == {}


def test_few_doors_stand_open() -> None:
    """The plan allows six; what is open is opened by a secret in its address, or shows nothing."""
    is_open = {route for (route, _), role in table("page").items() if role == "anyone"}
    is_open |= {route for (route, _), role in table("api").items() if role == "anyone"}
    assert is_open <= page_walls.OPEN - {"sign-out"}
    assert len(is_open - {"alerts-count"}) <= 6  # that one answers with nothing
