"""Replies kept under an Idempotency-Key: one effect, byte-equal replies (reliability, row 10)."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import URLPattern
from rest_framework.test import APIClient

from config import api_urls
from donors.api.views import DecodeBuildDate, FindNumbers
from donors.models import Donor, Make
from matching.models import Hold
from parts.api.bench import PreviewBenchTest
from parts.api.labels import Labels
from parts.api.plate_photos import ReadPlate
from parts.models import Part
from tests.factories import NOW, Bench
from tests.integration.api.test_journey import DONOR
from workshop import dispatcher, idempotency
from workshop.access_api import SignIn, SignOut
from workshop.api import MemberView
from workshop.models import KeptReply, OutboxEvent

pytestmark = pytest.mark.django_db

KEY = {"Idempotency-Key": '"8e03978e-40d5-43dd-bc93-6994a57f9324"'}


@pytest.fixture
def api(bench: Bench) -> APIClient:
    return signed_in(bench, "technician")


def signed_in(bench: Bench, role: str) -> APIClient:
    client = APIClient()
    client.force_authenticate(bench.members[role].user)
    return client


def take_in(client: APIClient, **change: Any) -> Any:
    return client.post("/api/v1/donors/", {**DONOR, **change}, format="json", headers=KEY)


def test_a_repeated_request_has_one_effect_and_one_reply(bench: Bench, api: APIClient) -> None:
    first = take_in(api)
    events = OutboxEvent.objects.unscoped().count()
    again = take_in(api)
    assert first.status_code == again.status_code == 201
    assert first.content == again.content
    assert first["Content-Type"] == again["Content-Type"] == "application/json"
    assert Donor.of(bench.workshop).count() == 1
    assert OutboxEvent.objects.unscoped().count() == events
    bare = {"Idempotency-Key": "8e03978e-40d5-43dd-bc93-6994a57f9324"}
    shuffled = dict(reversed(DONOR.items()))
    same = api.post("/api/v1/donors/", shuffled, format="json", headers=bare)
    assert same.content == first.content
    assert Donor.of(bench.workshop).count() == 1


def test_without_a_key_each_request_acts(bench: Bench, api: APIClient) -> None:
    for _ in range(2):
        assert api.post("/api/v1/donors/", DONOR, format="json").status_code == 201
    assert Donor.of(bench.workshop).count() == 2
    assert not KeptReply.of(bench.workshop).exists()


def test_the_key_of_another_request_is_refused(bench: Bench, api: APIClient) -> None:
    take_in(api)
    refused = take_in(api, note="altered")
    assert refused.status_code == 422
    assert refused["Content-Type"] == "application/problem+json"
    assert refused.data["code"] == "idempotency-key-reused"
    assert refused.data["errors"][0]["field"] == "Idempotency-Key"
    other_path = api.post("/api/v1/alerts/read-all/", DONOR, format="json", headers=KEY)
    assert other_path.status_code == 422
    assert take_in(signed_in(bench, "owner")).status_code == 422  # who asks is part of it
    assert Donor.of(bench.workshop).count() == 1


def test_keys_belong_to_a_workshop(bench: Bench, other_bench: Bench, api: APIClient) -> None:
    ours = take_in(api)
    theirs = take_in(signed_in(other_bench, "technician"), note="of theirs")
    assert theirs.status_code == 201
    assert theirs.content != ours.content
    assert Donor.of(bench.workshop).count() == Donor.of(other_bench.workshop).count() == 1


def test_a_refusal_is_not_kept(bench: Bench, api: APIClient) -> None:
    """The key is free again: what was wrong may be put right, or have changed meanwhile."""
    assert take_in(api, received_on="soon").status_code == 400
    assert not KeptReply.of(bench.workshop).exists()
    assert take_in(api).status_code == 201


def test_a_fault_keeps_nothing_and_leaves_nothing(
    bench: Bench, api: APIClient, monkeypatch
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError

    api.raise_request_exception = False
    with monkeypatch.context() as patched:
        patched.setattr("workshop.idempotency._keep", broken)  # after the effect was written
        assert take_in(api).status_code == 500
    assert not Donor.of(bench.workshop).exists()
    assert not Part.of(bench.workshop).exists()
    assert not KeptReply.of(bench.workshop).exists()
    assert take_in(api).status_code == 201


def test_a_hold_that_is_refused_does_not_spoil_the_transaction(
    bench: Bench, api: APIClient
) -> None:
    """The service meets a unique constraint in a savepoint of its own, inside ours."""
    part = bench.part(bench.donor())
    needs = [bench.need(), bench.need()]
    answers = [
        api.post(
            "/api/v1/holds/",
            {"part_ref": part.ref, "need": need.pk},
            format="json",
            headers={"Idempotency-Key": f"hold-{need.pk}"},
        ).status_code
        for need in needs
    ]
    assert answers == [201, 409]
    assert Hold.of(bench.workshop).count() == 1
    assert KeptReply.of(bench.workshop).count() == 1


def test_patch_is_repeated_too(bench: Bench, api: APIClient) -> None:
    path = f"/api/v1/parts/{bench.part(bench.donor()).ref}/"
    first = api.patch(path, {"note": "a"}, format="json", headers=KEY)
    api.patch(path, {"note": "b"}, format="json")
    again = api.patch(path, {"note": "a"}, format="json", headers=KEY)
    assert again.content == first.content
    assert api.get(path).data["note"] == "b"  # the repeat did not act


@pytest.mark.parametrize("header", ["", '""', '"open', "k" * 129, "two words"])
def test_what_is_no_key_is_refused(header: str, bench: Bench, api: APIClient) -> None:
    answer = api.post("/api/v1/donors/", DONOR, format="json", headers={"Idempotency-Key": header})
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.data["errors"][0]["field"] == "Idempotency-Key"
    assert not Donor.of(bench.workshop).exists()


def test_who_has_left_gets_no_reply_again(bench: Bench, api: APIClient) -> None:
    take_in(api)
    bench.technician.active = False
    bench.technician.save()
    assert take_in(api).status_code == 403


def test_replies_are_kept_a_day_at_least_and_then_go(bench: Bench, api: APIClient) -> None:
    take_in(api)
    kept = KeptReply.of(bench.workshop)
    assert timedelta(hours=24) <= idempotency.KEPT_FOR
    kept.update(kept_at=NOW)
    dispatcher.sweep(now=NOW + timedelta(hours=24))
    assert kept.exists()
    dispatcher.sweep(now=NOW + idempotency.KEPT_FOR + timedelta(seconds=1))
    assert not kept.exists()


def test_every_route_that_writes_takes_a_key() -> None:
    """Signing in and out keep no reply: it would hold a token. The others only read."""
    writers = {one for one in views() if {"post", "put", "patch", "delete"} & set(dir(one))}
    without = {one for one in writers if not issubclass(one, MemberView) or one.reads_only}
    reading = {FindNumbers, PreviewBenchTest, Labels, DecodeBuildDate, ReadPlate}
    assert without == {SignIn, SignOut, *reading}
    assert len(writers) > 15


def views() -> list[Any]:
    patterns = [one for one in api_urls.urlpatterns if isinstance(one, URLPattern)]
    return [one.callback.view_class for one in patterns]


def test_a_make_saved_twice_over_is_one(bench: Bench) -> None:
    client = signed_in(bench, "reviewer")
    body = {"name": "Ostrelle"}
    replies = [
        client.post("/api/v1/makes/", body, format="json", headers=KEY).content for _ in range(3)
    ]
    assert len(set(replies)) == 1
    assert Make.of(bench.workshop).filter(name="Ostrelle").count() == 1
