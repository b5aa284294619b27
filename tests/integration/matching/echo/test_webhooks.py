"""Alerts by webhook, to a real receiver on loopback; signatures judged by the reference library."""

import json
import socket
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from standardwebhooks import Webhook, WebhookVerificationError

from donors.listings.services import Offered, add_listing
from matching.domain.echo.retrying import MOST_TRIES
from matching.echo import planning, sending, webhooks
from matching.models import Alert, DeliveredAlert, Delivery, WebhookEndpoint
from tests.factories import NOW, TODAY, Bench
from tests.integration.matching.echo.conftest import Tell, pass_on, settle
from tests.integration.matching.echo.receiver import Receiver, dripping
from workshop import web_addresses
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.web_addresses import Refused

pytestmark = pytest.mark.django_db


def add(bench: Bench, receiver: Receiver, **values: Any) -> tuple[WebhookEndpoint, str]:
    stated = {"name": "counter", "url": receiver.url, "now": NOW, **values}
    return webhooks.add_endpoint(workshop=bench.workshop, member=bench.members["owner"], **stated)


def only() -> Delivery:
    return Delivery.objects.unscoped().get()


def test_an_alert_arrives_signed_as_the_reference_library_wants_it(
    bench: Bench, tell: Tell, receiver: Receiver
) -> None:
    now = datetime.now(UTC)  # the judge refuses old signatures
    _, secret = add(bench, receiver)
    [alert] = tell()
    assert pass_on(now) == 1
    [(path, headers, body)] = receiver.got
    assert path == "/alerts"
    said = Webhook(secret).verify(body, headers)
    assert said["type"] == "alert.review"
    assert said["data"]["id"] == str(alert.pk)
    assert said["data"]["recipient"] == "millrace-technician"
    assert said["data"]["address"] == f"https://bench.example/jobs/{alert.job.ref}/"
    assert headers["content-type"] == "application/json"
    assert headers["webhook-id"] == f"msg_{only().pk.hex}"
    assert headers["host"] == receiver.url.split("/")[2]
    assert b" " not in body.replace(alert.summary.encode(), b"")
    assert len(body) < 20_000  # as the specification asks
    with pytest.raises(WebhookVerificationError):
        Webhook("whsec_" + "A" * 43 + "=").verify(body, headers)
    assert (only().state, only().last_status) == ("sent", 200)
    assert pass_on(now + timedelta(days=9)) == 0


def test_an_alert_of_a_listing_names_it(bench: Bench, tell: Tell, receiver: Receiver) -> None:
    add(bench, receiver)
    listing = add_listing(
        workshop=bench.workshop,
        offered=Offered("Velthane washing machine, model W7-60 R1 W. Does not drain. €15."),
        member=None,
        on=TODAY,
    ).listing
    bench.drain()
    assert Alert.of(bench.workshop).get().listing == listing
    tell()
    assert pass_on(datetime.now(UTC)) == 2
    said = {json.loads(body)["data"]["listing_ref"] for _, _, body in receiver.got}
    assert said == {listing.ref, ""}


def test_one_delivery_for_each_alert_and_endpoint_and_none_for_what_is_left_out(
    bench: Bench, tell: Tell, receiver: Receiver
) -> None:
    add(bench, receiver)
    add(bench, receiver, url=f"{receiver.url}/2", leaves_out=["review"])
    add(bench, receiver, url=f"{receiver.url}/3", leaves_out=["over"])
    tell(2)
    tell(1, news="over")
    pass_on(NOW)
    paths = sorted(path for path, _, _ in receiver.got)
    assert paths == ["/alerts"] * 3 + ["/alerts/2"] + ["/alerts/3"] * 2
    assert len(set(receiver.ids)) == 6
    Alert.of(bench.workshop).update(echoed=False)
    assert planning.settle_left_over(NOW) == 3
    assert pass_on(NOW) == 0


BAD_ANSWERS: dict[str, Any] = {
    "500": b"HTTP/1.1 500 Oops\r\nContent-Length: 0\r\n\r\n",
    "404": b"HTTP/1.1 404 No\r\nContent-Length: 0\r\n\r\n",
    "garbage": b"\x00\xff\x00 what is HTTP\r\n\r\n",
    "nothing": b"",
    "half a status": b"HTTP/1.1 2",
    "endless status": b"HTTP/1.1 200 " + b"A" * 70_000,
    "endless header": b"HTTP/1.1 200 OK\r\nX: " + b"A" * 70_000 + b"\r\n\r\n",
    "very many headers": b"HTTP/1.1 200 OK\r\n" + b"X: y\r\n" * 200 + b"\r\n",
}


@pytest.mark.parametrize("how", BAD_ANSWERS)
def test_a_bad_answer_is_a_failure_and_tried_again_under_the_same_id(
    bench: Bench, tell: Tell, receiver: Receiver, how: str
) -> None:
    receiver.answer = BAD_ANSWERS[how]
    endpoint, _ = add(bench, receiver)
    tell()
    assert pass_on(NOW) == 1
    row = only()
    assert row.state == "waiting"
    assert row.last_error
    assert timedelta(seconds=5) <= row.available_at - NOW <= timedelta(seconds=5.5)
    endpoint.refresh_from_db()
    assert endpoint.failing_since == NOW
    receiver.answer = b"HTTP/1.1 204 No Content\r\n\r\n"
    assert pass_on(row.available_at) == 1
    assert only().state == "sent"
    assert len(set(receiver.ids)) == 1
    endpoint.refresh_from_db()
    assert endpoint.failing_since is None


def test_a_huge_body_is_not_read(bench: Bench, tell: Tell, receiver: Receiver) -> None:
    sent = []

    def huge(connection: socket.socket) -> None:
        connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 1000000000\r\n\r\n")
        for _ in range(1000):
            connection.sendall(b"A" * 1_000_000)
            sent.append(1)

    receiver.answer = huge
    add(bench, receiver)
    tell()
    assert pass_on(NOW) == 1
    assert only().state == "sent"
    assert len(sent) < 20  # what the sockets hold, of a thousand


def silent(receiver: Receiver) -> Callable[[socket.socket], None]:
    return lambda _: receiver.stop.wait(10) and None


@pytest.mark.parametrize("how", ["silent", "drips headers", "drips a line"])
def test_a_receiver_that_is_slow_is_given_up_on_in_time(
    bench: Bench, tell: Tell, receiver: Receiver, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    """Each read of what drips is quick: only the whole has a limit that ends it."""
    monkeypatch.setattr(sending, "MOST_SECONDS", 0.4)
    receiver.answer = {
        "silent": silent(receiver),
        "drips headers": dripping(receiver.stop, endless=b"X: y\r\n"),
        "drips a line": dripping(receiver.stop, endless=b"X"),
    }[how]
    add(bench, receiver)
    tell()
    assert pass_on(NOW) == 1
    assert only().state == "waiting"
    assert only().last_error.startswith("No answer within")


def test_a_dead_receiver_holds_nobody_else_up(
    bench: Bench, tell: Tell, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    """20 alerts wait for one that never answers: those for another are all through before its
    first try ends.
    """
    monkeypatch.setattr(sending, "MOST_SECONDS", 5.0)
    from workshop import errands

    add(bench, receiver, url=f"{receiver.url}/slow")
    add(bench, receiver)
    real = receiver.answer
    tell(20)
    settle(NOW)

    def answer(connection: socket.socket) -> None:
        path, _, _ = receiver.got[-1]
        if path.endswith("/slow"):
            receiver.stop.wait(5)
        else:
            connection.sendall(real)

    receiver.answer = answer
    runner = errands.Runner(now=lambda: NOW)
    try:
        for _ in range(400):
            runner.step()
            if Delivery.objects.unscoped().filter(done_at__isnull=False).count() == 20:
                break
            runner.wait(0.05)
        paths = [path for path, _, _ in receiver.got]
        assert paths.count("/alerts") == 20
        assert paths.count("/alerts/slow") == 1
        assert Delivery.objects.unscoped().filter(tried_at__isnull=False).count() == 20
    finally:
        receiver.stop.set()
        runner.finish()


def test_redirects_are_not_followed(bench: Bench, tell: Tell, receiver: Receiver) -> None:
    receiver.answer = (
        f"HTTP/1.1 307 There\r\nLocation: {receiver.url}/inside\r\nContent-Length: 0\r\n\r\n"
    ).encode()
    add(bench, receiver)
    tell()
    assert pass_on(NOW) == 1
    assert [path for path, _, _ in receiver.got] == ["/alerts"]
    assert "redirects are not followed" in only().last_error


def test_a_receiver_that_asks_for_a_pause_gets_it(
    bench: Bench, tell: Tell, receiver: Receiver
) -> None:
    receiver.answer = b"HTTP/1.1 503 Busy\r\nRetry-After: 600\r\nContent-Length: 0\r\n\r\n"
    add(bench, receiver)
    tell()
    pass_on(NOW)
    assert only().available_at == NOW + timedelta(seconds=600)


def test_gone_pauses_the_endpoint_at_once(bench: Bench, tell: Tell, receiver: Receiver) -> None:
    """Standard Webhooks 1.0.0: "Sender should disable the webhook endpoint"."""
    receiver.answer = b"HTTP/1.1 410 Gone\r\nContent-Length: 0\r\n\r\n"
    endpoint, _ = add(bench, receiver)
    tell(2)
    assert pass_on(NOW) == 1
    endpoint.refresh_from_db()
    assert "410" in endpoint.paused_because
    assert [row.state for row in Delivery.objects.unscoped()] == ["held", "held"]
    tell()
    assert pass_on(NOW + timedelta(days=1)) == 0
    receiver.answer = b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n"
    webhooks.resume_endpoint(
        workshop=bench.workshop, endpoint_id=endpoint.pk, now=NOW + timedelta(days=1)
    )
    assert pass_on(NOW + timedelta(days=1)) == 2


def test_ten_tries_then_a_dead_letter_and_an_endpoint_failing_for_days_is_paused(
    bench: Bench, tell: Tell, receiver: Receiver
) -> None:
    receiver.answer = BAD_ANSWERS["500"]
    endpoint, _ = add(bench, receiver)
    tell()
    now = NOW
    settle(now)
    while only().dead_at is None:
        assert pass_on(now) == 1
        now = only().available_at if only().dead_at is None else now
    assert len(receiver.ids) == MOST_TRIES
    assert len(set(receiver.ids)) == 1
    assert timedelta(hours=75, minutes=35) <= now - NOW <= timedelta(hours=84)
    endpoint.refresh_from_db()
    assert endpoint.paused_at is None
    tell()
    late = NOW + timedelta(days=5)
    assert pass_on(late) == 1
    endpoint.refresh_from_db()
    assert endpoint.paused_because == "nothing came through for 5 days"
    dead = Delivery.objects.unscoped().get(dead_at__isnull=False)
    with pytest.raises(Conflict, match="paused"):
        webhooks.send_again(workshop=bench.workshop, delivery_id=dead.pk, now=late)
    receiver.answer = b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n"
    webhooks.resume_endpoint(workshop=bench.workshop, endpoint_id=endpoint.pk, now=late)
    webhooks.send_again(workshop=bench.workshop, delivery_id=dead.pk, now=late)
    assert pass_on(late) == 2
    assert receiver.ids.count(f"msg_{dead.pk.hex}") == MOST_TRIES + 1


def test_replacing_the_secret_the_old_one_is_good_for_a_day(
    bench: Bench, tell: Tell, receiver: Receiver
) -> None:
    now = datetime.now(UTC)
    endpoint, old = add(bench, receiver)
    changed = now - timedelta(hours=1)
    _, new = webhooks.rotate_secret(workshop=bench.workshop, endpoint_id=endpoint.pk, now=changed)
    tell()
    pass_on(now)
    [(_, headers, body)] = receiver.got
    for secret in (old, new):
        Webhook(secret).verify(body, headers)
    WebhookEndpoint.of(bench.workshop).update(old_until=now)
    tell()
    pass_on(now)
    _, headers, body = receiver.got[1]
    Webhook(new).verify(body, headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(old).verify(body, headers)


def test_a_secret_outlives_a_change_of_the_site_s_key_and_is_in_no_column(
    bench: Bench, tell: Tell, receiver: Receiver, settings: Any
) -> None:
    now = datetime.now(UTC)
    _, secret = add(bench, receiver)
    row = WebhookEndpoint.of(bench.workshop).values().get()
    raw = webhooks.signing.base64.b64decode(secret.removeprefix("whsec_"))
    for value in map(str, row.values()):
        assert secret not in value
        assert raw.hex() not in value
    settings.SECRET_KEY_FALLBACKS = [settings.SECRET_KEY]
    settings.SECRET_KEY = "another" * 10
    tell()
    pass_on(now)
    [(_, headers, body)] = receiver.got
    Webhook(secret).verify(body, headers)
    settings.SECRET_KEY_FALLBACKS = []
    tell()
    pass_on(now)
    assert len(receiver.got) == 1
    failed = Delivery.objects.unscoped().get(done_at__isnull=True)
    assert "replace it" in failed.last_error


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"url": "https://127.0.0.1/"}, "url"),
        ({"url": "http://hooks.example.com/"}, "url"),
        ({"url": "https://user@hooks.example.com/"}, "url"),
        ({"name": " "}, "name"),
        ({"name": "x" * 81}, "name"),
        ({"leaves_out": ["weather"]}, "leaves_out"),
    ],
)
def test_an_endpoint_that_makes_no_sense_is_refused(
    bench: Bench, values: dict[str, Any], field: str
) -> None:
    stated = {"name": "counter", "url": "https://hooks.example.com/", **values}
    with pytest.raises(InputRefused) as refused:
        webhooks.add_endpoint(
            workshop=bench.workshop, member=bench.members["owner"], now=NOW, **stated
        )
    assert set(refused.value.fields) == {field}


def test_the_same_address_twice_and_too_many(bench: Bench) -> None:
    bench.webhook()
    given = {"workshop": bench.workshop, "member": bench.members["owner"], "now": NOW}
    with pytest.raises(Conflict, match="already"):
        webhooks.add_endpoint(**given, name="x", url="https://hooks.example.com/alerts")
    for number in range(webhooks.MOST_ENDPOINTS - 1):
        webhooks.add_endpoint(**given, name="x", url=f"https://hooks.example.com/{number}")
    with pytest.raises(Conflict, match="at most"):
        webhooks.add_endpoint(**given, name="x", url="https://hooks.example.com/more")


def test_another_workshop_s_things_are_not_found(bench: Bench, other_bench: Bench) -> None:
    theirs = other_bench.webhook()
    acts = (webhooks.pause_endpoint, webhooks.resume_endpoint, webhooks.rotate_secret)
    for act in acts:
        with pytest.raises(NotFound):
            act(workshop=bench.workshop, endpoint_id=theirs.pk, now=NOW)
    with pytest.raises(NotFound):
        webhooks.remove_endpoint(workshop=bench.workshop, endpoint_id=theirs.pk)


def test_alerts_go_to_no_other_workshop_not_even_by_the_database(
    bench: Bench, other_bench: Bench, tell: Tell, receiver: Receiver
) -> None:
    theirs, _ = add(other_bench, receiver)
    [alert] = tell()
    assert pass_on(NOW) == 0
    delivery = Delivery.objects.create(
        workshop=other_bench.workshop, channel="webhook", endpoint=theirs, made_at=NOW
    )
    for workshop in (bench.workshop, other_bench.workshop):
        with pytest.raises(IntegrityError), transaction.atomic():
            DeliveredAlert.objects.create(
                workshop=workshop, delivery=delivery, alert=alert, endpoint=theirs
            )


def test_a_removed_endpoint_is_sent_nothing_more(
    bench: Bench, tell: Tell, receiver: Receiver
) -> None:
    endpoint, _ = add(bench, receiver)
    tell()
    settle(NOW)
    errand = sending.take_due(NOW, frozenset())
    assert errand is not None
    webhooks.remove_endpoint(workshop=bench.workshop, endpoint_id=endpoint.pk)
    errand.record(errand.run(), NOW)
    assert not Delivery.objects.unscoped().exists()
    assert pass_on(NOW) == 0


# What the name server says, and where the sending goes.


def says(*addresses: str) -> Any:
    """Return a look-up that answers with these addresses and notes how often it was asked."""
    asked = []

    def look_up(host: str, port: int, **_: Any) -> list[Any]:
        asked.append(host)
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (one, port)) for one in addresses]

    look_up.asked = asked  # type: ignore[attr-defined]
    return look_up


@pytest.mark.parametrize(
    "answers",
    [
        ("127.0.0.1",),
        ("10.0.0.7",),
        ("169.254.169.254",),
        ("::1",),
        ("::ffff:127.0.0.1",),
        ("64:ff9b::7f00:1",),
        ("fe80::1%2",),
        ("1.1.1.1", "127.0.0.1"),  # one bad answer among good ones
        (),
    ],
)
def test_a_name_that_leads_inside_is_never_dialled(
    monkeypatch: pytest.MonkeyPatch, answers: tuple[str, ...]
) -> None:
    dialled: list[Any] = []
    monkeypatch.setattr(socket, "create_connection", lambda *a, **_: dialled.append(a))
    with pytest.raises(Refused):
        web_addresses.post(
            "https://inside.example.com/", b"{}", {}, seconds=1, look_up=says(*answers)
        )
    assert not dialled


def test_a_name_that_changes_between_look_ups_changes_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """DNS rebinding: public when judged, this machine when dialled. The address judged is dialled,
    and nothing is looked up a second time.
    """
    answers = iter(["1.1.1.1", "127.0.0.1", "127.0.0.1"])
    asked: list[str] = []
    dialled: list[Any] = []

    def rebinding(host: str, port: int, **_: Any) -> list[Any]:
        asked.append(host)
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (next(answers), port))]

    def dial(address: Any, *_: Any, **__: Any) -> socket.socket:
        dialled.append(address)
        raise ConnectionRefusedError

    monkeypatch.setattr(socket, "getaddrinfo", rebinding)
    monkeypatch.setattr(socket, "create_connection", dial)
    with pytest.raises(ConnectionRefusedError):
        web_addresses.post("https://rebinding.example.com:8443/", b"{}", {}, seconds=1)
    assert dialled == [("1.1.1.1", 8443)]
    assert asked == ["rebinding.example.com"]


def test_control_looking_up_again_when_dialling_is_led_inside(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The known-bad way: judge one look-up, then let the library look up for itself."""
    answers = iter(["1.1.1.1", "127.0.0.1"])
    dialled: list[str] = []
    monkeypatch.setattr(
        socket,
        "getaddrinfo",
        lambda host, port, *_, **__: [
            (socket.AF_INET, socket.SOCK_STREAM, 6, "", (next(answers), port))
        ],
    )

    class Dialled(Exception):
        pass

    class Watched(socket.socket):
        def connect(self, address: Any) -> None:
            dialled.append(address[0])
            raise Dialled

    monkeypatch.setattr(socket, "socket", Watched)
    web_addresses.resolve(web_addresses.read_target("https://rebinding.example.com/"))
    with pytest.raises(Dialled):
        socket.create_connection(("rebinding.example.com", 443), 1)
    assert dialled == ["127.0.0.1"]


def test_a_connection_is_encrypted_and_the_certificate_is_of_the_name(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen: dict[str, Any] = {}

    class Context:
        def wrap_socket(self, sock: Any, *, server_hostname: str) -> Any:
            seen["name"] = server_hostname
            raise ConnectionResetError

    monkeypatch.setattr(socket, "create_connection", lambda address, *_: seen.update(at=address))
    monkeypatch.setattr(web_addresses.ssl, "create_default_context", Context)
    with pytest.raises(ConnectionResetError):
        web_addresses.post(
            "https://hooks.example.com/", b"{}", {}, seconds=1, look_up=says("1.1.1.1")
        )
    assert seen == {"at": ("1.1.1.1", 443), "name": "hooks.example.com"}


def test_nothing_reaches_a_loopback_listener_by_any_spelling(
    receiver: Receiver, settings: Any
) -> None:
    settings.WEBHOOKS_TO_LOOPBACK = False
    port = receiver.url.split(":")[2].split("/")[0]
    hosts = (
        "127.0.0.1",
        "127.1",
        "0x7f.1",
        "2130706433",
        "0",
        "0.0.0.0",
        "localhost",
        "[::1]",
        "[::ffff:127.0.0.1]",
        "①②⑦.⓪.⓪.①",
        "user@127.0.0.1",
        "hooks.example.com@127.0.0.1",
    )
    for scheme in ("http", "https"):
        for host in hosts:
            with pytest.raises(Refused):
                web_addresses.post(f"{scheme}://{host}:{port}/", b"{}", {}, seconds=1)
    assert receiver.got == []
