"""The API of what passes alerts on: the same as the pages."""

from typing import Any

import pytest
from django.test import Client
from rest_framework.test import APIClient
from standardwebhooks import Webhook

from matching.models import Alert, Delivery, WebhookEndpoint
from tests.factories import NOW, Bench

pytestmark = pytest.mark.django_db

MINE = {
    "mail_on": True,
    "address": "tech@workshop.example",
    "time_zone": "Europe/Lisbon",
    "daily_at": "07:30",
    "quiet_from": "22:00",
    "quiet_to": "06:00",
    "kinds": {"failed": {"mail": "daily", "in_feed": False}},
}


def test_choices_are_read_and_written(api: APIClient) -> None:
    fresh = api.get("/api/v1/me/alerts/").data
    assert fresh["mail_on"] is False
    assert set(fresh["kinds"]) == set(Alert.News.values)
    answer = api.put("/api/v1/me/alerts/", MINE, format="json")
    assert answer.status_code == 200, answer.data
    stored = api.get("/api/v1/me/alerts/").data
    assert stored["kinds"]["failed"] == {"mail": "daily", "in_feed": False}
    assert stored["kinds"]["found"] == {"mail": "at-once", "in_feed": True}
    assert (stored["daily_at"], stored["quiet_to"]) == ("07:30:00", "06:00:00")
    assert stored["mail_works"] is True


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"address": "a@b.example\r\nBcc: c@d.example"}, "address"),
        ({"mail_on": True}, "address"),
        ({"time_zone": "x"}, "time_zone"),
        ({"quiet_from": "22:00"}, "quiet_to"),
        ({"kinds": {"weather": {}}}, "kinds"),
        ({"kinds": {"found": {"mail": "hourly"}}}, "kinds.found.mail"),
    ],
)
def test_choices_that_cannot_be_are_refused_by_field(
    api: APIClient, body: dict[str, Any], field: str
) -> None:
    answer = api.put("/api/v1/me/alerts/", body, format="json")
    assert answer.status_code == 400
    assert [one["field"] for one in answer.data["errors"]] == [field]


def test_a_feed_is_made_and_ended(api: APIClient) -> None:
    address = api.post("/api/v1/me/feed/").data["address"]
    here = address.removeprefix("https://bench.example")
    assert Client().get(here).status_code == 200
    assert api.delete("/api/v1/me/feed/").status_code == 204
    assert Client().get(here).status_code == 404


def test_the_unread_count(bench: Bench, api: APIClient) -> None:
    assert api.get("/api/v1/alerts/count/").data == {"unread": 0}
    bench.job("W7-60 R1 W", technician=bench.technician)
    bench.donor("W7-60 R1 W")
    bench.drain()
    assert api.get("/api/v1/alerts/count/").data == {"unread": 1}


def test_webhooks_are_the_owner_s(bench: Bench, sign_in: Any) -> None:
    reviewer, owner = sign_in("reviewer"), sign_in("owner")
    row = bench.webhook()
    for path in ("webhooks/", f"webhooks/{row.pk}/", "deliveries/"):
        assert reviewer.get(f"/api/v1/{path}").status_code == 403
    for act in ("pause", "resume", "rotate"):
        assert reviewer.post(f"/api/v1/webhooks/{row.pk}/{act}/").status_code == 403
    assert reviewer.delete(f"/api/v1/webhooks/{row.pk}/").status_code == 403
    body = {"name": "x", "url": "https://hooks.example.com/"}
    assert reviewer.post("/api/v1/webhooks/", body, format="json").status_code == 403
    made = owner.post("/api/v1/webhooks/", body, format="json")
    assert made.status_code == 201
    Webhook(made.data["secret"])  # the reference library reads it
    listed = owner.get("/api/v1/webhooks/").data["results"]
    assert [one["name"] for one in listed] == ["counter", "x"]
    assert "secret" not in listed[0]
    assert "seed" not in str(listed)
    path = f"/api/v1/webhooks/{made.data['id']}/"
    assert owner.post(f"{path}rotate/").data["secret"] != made.data["secret"]
    assert owner.post(f"{path}pause/").data["paused_because"] == "by hand"
    assert owner.post(f"{path}pause/").status_code == 409
    assert owner.post(f"{path}resume/").data["paused_at"] is None
    assert owner.delete(path).status_code == 204
    assert owner.get(path).status_code == 404
    assert WebhookEndpoint.of(bench.workshop).count() == 1


@pytest.mark.parametrize(
    "url", ["https://127.0.0.1/", "http://hooks.example.com/", "https://[::1]/", "https://a@b.cd/"]
)
def test_an_address_that_leads_inside_is_refused(sign_in: Any, url: str) -> None:
    body = {"name": "x", "url": url}
    answer = sign_in("owner").post("/api/v1/webhooks/", body, format="json")
    assert answer.status_code == 400
    assert [one["field"] for one in answer.data["errors"]] == ["url"]


def test_deliveries_are_listed_and_sent_again(bench: Bench, sign_in: Any) -> None:
    owner = sign_in("owner")
    bench.job("W7-60 R1 W", technician=bench.technician)
    bench.donor("W7-60 R1 W")
    bench.drain()
    first = bench.webhook()
    other = bench.webhook("https://hooks.example.com/other")
    alert = Alert.of(bench.workshop).get()
    dead = bench.delivery(first, alert)
    bench.delivery(other, alert)
    Delivery.of(bench.workshop).filter(pk=dead.pk).update(done_at=None, dead_at=NOW)
    assert owner.get("/api/v1/deliveries/").data["count"] == 2
    [row] = owner.get("/api/v1/deliveries/", {"given_up": "true"}).data["results"]
    assert (row["id"], row["state"], row["alerts"]) == (str(dead.pk), "given up", 1)
    assert row["message_id"] == f"msg_{dead.pk.hex}"
    [row] = owner.get("/api/v1/deliveries/", {"webhook": other.pk}).data["results"]
    assert row["state"] == "sent"
    assert owner.get("/api/v1/deliveries/", {"given_up": "x"}).status_code == 400
    again = owner.post(f"/api/v1/deliveries/{dead.pk}/again/")
    assert again.data["state"] == "waiting"
    assert owner.post(f"/api/v1/deliveries/{dead.pk}/again/").status_code == 409
