"""One id from the request to the log line of what it caused, through the outbox."""

import io
import json
import logging

import pytest
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient

from tests.factories import Bench
from tests.integration.api.test_journey import DONOR
from workshop import dispatcher, log_lines, outbox, tracing
from workshop.dispatcher import drain
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db


@pytest.fixture
def lines():
    """What is logged from INFO on, as the JSON formatter writes it."""
    written: list[dict[str, object]] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            written.append(json.loads(log_lines.JsonLines().format(record)))

    handler = Keep()
    handler.addFilter(log_lines.CarriesRequestId())
    ours = logging.getLogger("workshop")
    before = ours.level
    ours.addHandler(handler)
    ours.setLevel(logging.INFO)
    yield written
    ours.removeHandler(handler)
    ours.setLevel(before)


def test_an_arrival_is_followed_from_the_request_to_what_it_caused(
    bench: Bench, lines: list[dict[str, object]]
) -> None:
    bench.need("W7-60 R1 W")
    drain()
    lines.clear()
    api = APIClient()
    api.force_authenticate(bench.technician.user)
    stated = {"X-Request-ID": "bench-7.arrival"}
    answer = api.post("/api/v1/donors/", DONOR, format="json", headers=stated)
    assert answer.status_code == 201
    assert answer["X-Request-ID"] == "bench-7.arrival"
    events = OutboxEvent.of(bench.workshop).filter(request_id="bench-7.arrival")
    assert events.count() == 1
    drain()
    # What the handlers recorded in their turn carries it too.
    open_or_done = OutboxEvent.of(bench.workshop).exclude(request_id="")
    assert set(open_or_done.values_list("request_id", flat=True)) == {"bench-7.arrival"}
    handled = [line for line in lines if line["message"] == "event handled"]
    assert {str(one) for one in events.values_list("id", flat=True)} <= {
        line["event"] for line in handled
    }
    assert {line["request_id"] for line in lines} == {"bench-7.arrival"}
    (asked,) = [line for line in lines if line["logger"] == "workshop.requests"]
    assert (asked["view"], asked["method"], asked["status"]) == ("api-donors", "POST", 201)
    assert "plate" not in json.dumps(asked)


def test_a_failure_of_a_handler_carries_the_id(
    bench: Bench, lines: list[dict[str, object]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(event: OutboxEvent, now: object) -> None:
        raise ZeroDivisionError("a row that cannot be")

    monkeypatch.setitem(dispatcher._handlers, "bench.broken", [broken])
    OutboxEvent.objects.unscoped().delete()
    from django.db import transaction

    with tracing.following("bench-7.broken"), transaction.atomic():
        outbox.record("bench.broken", workshop_id=bench.workshop.pk, payload={})
    assert dispatcher.run_once(now=OutboxEvent.objects.unscoped().get().available_at).failed == 1
    (line,) = [line for line in lines if "exception" in line]
    assert line["request_id"] == "bench-7.broken"
    assert line["event_kind"] == "bench.broken"
    assert "ZeroDivisionError" in str(line["exception"])


@pytest.mark.parametrize("bad", ["short", "x" * 65, "a b c d e f", "<script>alert</script>"])
def test_an_id_that_is_not_sane_is_replaced(client: Client, bad: str) -> None:
    found = client.get(reverse("sign-in"), headers={"X-Request-ID": bad})["X-Request-ID"]
    assert found != bad
    assert tracing.SANE.fullmatch(found)
    assert client.get(reverse("sign-in"))["X-Request-ID"] != found


def test_what_django_warns_of_carries_the_id_and_probes_are_left_out(client: Client) -> None:
    """Django writes those lines after the request has left every middleware."""
    handler = logging.StreamHandler(io.StringIO())
    handler.setFormatter(log_lines.JsonLines())
    handler.addFilter(log_lines.CarriesRequestId())
    django = logging.getLogger("django.request")
    django.addHandler(handler)
    try:
        client.get("/nowhere/", headers={"X-Request-ID": "bench-7.nowhere"})
        assert client.post("/livez").status_code == 405
    finally:
        django.removeHandler(handler)
    (line,) = handler.stream.getvalue().splitlines()
    assert json.loads(line)["request_id"] == "bench-7.nowhere"


def test_what_no_request_caused_still_has_an_id(
    bench: Bench, lines: list[dict[str, object]]
) -> None:
    bench.donor()  # outside of any request
    assert OutboxEvent.of(bench.workshop).filter(request_id="").exists()
    drain()
    handled = [line for line in lines if line["message"] == "event handled"]
    assert handled
    assert all(tracing.SANE.fullmatch(str(line["request_id"])) for line in handled)
