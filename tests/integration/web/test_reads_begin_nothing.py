"""No page that is only read begins a transaction (reliability plan, row 13).

On SQLite a transaction takes the write lock when it begins, so a read in one queues behind every
writer (measured: 95th percentile 2,334 ms, without one 2.7 ms).
"""

from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from tests.factories import Bench
from tests.integration.web.test_page_walls import ACTIONS, OPEN, holds_for_each, page_routes, things

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]
# A test is in a transaction already: one begun in it is a savepoint.
BEGUN = ("BEGIN", "SAVEPOINT", "INSERT", "UPDATE", "DELETE")


def begun(client: Client, method: str, address: str) -> list[str]:
    with CaptureQueriesContext(connection) as seen:
        getattr(client, method)(address)
    return [one["sql"] for one in seen if one["sql"].lstrip().upper().startswith(BEGUN)]


def test_no_page_that_is_read_begins_a_transaction(bench: Bench, sign_in: Any) -> None:
    client, args = sign_in(bench, "owner"), things(bench)
    client.get(reverse("home"))

    def check(route: str) -> None:
        assert begun(client, "get", reverse(route, args=args[route])) == []

    holds_for_each(set(page_routes()) - OPEN - ACTIONS, check)


def test_control_an_action_is_seen_to_begin_one(bench: Bench, sign_in: Any) -> None:
    client, args = sign_in(bench, "owner"), things(bench)
    assert begun(client, "post", reverse("hold-release", args=args["hold-release"]))
