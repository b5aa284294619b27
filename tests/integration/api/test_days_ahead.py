"""What has happened cannot lie ahead: forms and API refuse it by the field."""

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from tests.factories import Bench
from tests.integration.api.test_journey import DONOR, JOB

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("path", "field", "body"),
    [
        ("donors/", "received_on", DONOR),
        ("jobs/", "opened_on", JOB),
        ("parts/", "received_on", {"kind": "drain-pump"}),
        ("parts/{part}/remove/", "removed_on", {}),
        ("parts/{part}/sell/", "sold_on", {"price": "10"}),
        ("parts/{part}/scrap/", "scrapped_on", {"why": "cracked"}),
    ],
)
def test_the_api_refuses_a_day_ahead(
    bench: Bench, sign_in, path: str, field: str, body: dict[str, Any]
) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    client, address = sign_in("owner"), f"/api/v1/{path.format(part=part.ref)}"
    today = timezone.localdate()
    ahead = {**body, field: (today + timedelta(days=1)).isoformat()}
    refused = client.post(address, ahead, format="json")
    assert refused.status_code == 400
    assert [one["field"] for one in refused.data["errors"]] == [field]
    assert "lies ahead" in refused.data["errors"][0]["detail"]
    taken = client.post(address, {**body, field: today.isoformat()}, format="json")
    assert taken.status_code in {200, 201}


def test_a_form_refuses_a_day_ahead(bench: Bench) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    client = Client()
    client.force_login(bench.technician.user)
    ahead = (timezone.localdate() + timedelta(days=1)).isoformat()
    for route, sent in (
        ("part-sell", {"price": "10", "sold_on": ahead}),
        ("part-scrap", {"why": "cracked", "scrapped_on": ahead}),
        ("part-remove", {"removed_on": ahead}),
    ):
        refused = client.post(reverse(route, args=[part.ref]), sent)
        assert refused.status_code == 400
        assert "lies ahead" in refused.content.decode()
    part.refresh_from_db()
    assert part.state == "in-machine"


def test_an_address_nobody_has_is_a_problem_under_the_api_and_a_page_elsewhere(
    bench: Bench, sign_in
) -> None:
    answer = sign_in("owner").get("/api/v1/nowhere/")
    assert answer.status_code == 404
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.json()["status"] == 404
    assert Client().get("/nowhere/")["Content-Type"].startswith("text/html")
