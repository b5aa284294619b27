"""A customer's name is shown to that workshop's technicians, goes nowhere else, and is erased."""

import io
import logging
from datetime import timedelta
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from rest_framework.test import APIClient

from matching import customers
from matching.echo import choices, webhooks
from matching.models import Alert, Customer, Delivery
from tests.factories import NOW, TODAY, Bench
from workshop import dispatcher, errands
from workshop.errors import InputRefused
from workshop.exchange import sheets
from workshop.models import KeptReply, OutboxEvent

pytestmark = pytest.mark.django_db

NAME, REACH = "Canary Quillfeather", "0700 canary 4711"


def client_of(bench: Bench, role: str = "technician") -> APIClient:
    client = APIClient()
    client.force_authenticate(bench.members[role].user)
    return client


def address(bench: Bench) -> str:
    return f"/api/v1/jobs/{bench.job(technician=bench.technician).ref}/customer/"


def test_noted_shown_changed_and_erased_over_the_api(bench: Bench) -> None:
    client, path = client_of(bench), address(bench)
    assert client.get(path).status_code == 404
    until = str(timezone.localdate() + timedelta(days=30))
    body = {"name": NAME, "reach": REACH, "keep_until": until}
    assert client.put(path, body, format="json").status_code == 200
    shown = client.get(path).data
    assert (shown["name"], shown["reach"], shown["keep_until"]) == (NAME, REACH, until)
    client.put(path, {"name": "Another"}, format="json")
    assert client.get(path).data["reach"] == ""
    assert client.delete(path).status_code == 204
    assert not Customer.of(bench.workshop).exists()
    assert client.delete(path).status_code == 404


def test_a_cataloguer_does_not_see_it(bench: Bench) -> None:
    path = address(bench)
    client_of(bench).put(path, {"name": NAME}, format="json")
    for method in ("get", "put", "delete"):
        assert getattr(client_of(bench, "cataloguer"), method)(path).status_code == 403


@pytest.mark.parametrize(
    ("name", "days", "field"),
    [("", 10, "name"), ("x", -1, "keep_until"), ("x", 1097, "keep_until")],
)
def test_what_cannot_be_is_refused(bench: Bench, name: str, days: int, field: str) -> None:
    job = bench.job()
    with pytest.raises(InputRefused) as refused:
        customers.note_customer(
            workshop=bench.workshop,
            ref=job.ref,
            name=name,
            reach=" ",
            member=bench.technician,
            now=NOW,
            keep_until=TODAY + timedelta(days=days),
        )
    assert field in refused.value.fields


def test_the_sweep_erases_it_the_day_after_its_last(bench: Bench) -> None:
    row = bench.customer(bench.job(), NAME, REACH)
    last = row.keep_until
    assert customers.erase_what_is_due(last) == 0
    assert customers.erase_what_is_due(last + timedelta(days=1)) == 1
    assert not Customer.of(bench.workshop).exists()


def test_the_minute_s_sweep_does_so(bench: Bench) -> None:
    row = bench.customer(bench.job(), NAME, REACH)
    Customer.of(bench.workshop).filter(pk=row.pk).update(keep_until=TODAY - timedelta(days=1))
    assert dispatcher.sweep(now=timezone.now()).failed == 0
    assert not Customer.of(bench.workshop).exists()


def test_on_its_page(bench: Bench) -> None:
    job, client = bench.job(), Client()
    client.force_login(bench.technician.user)
    page = reverse("job-customer", args=[job.ref])
    until = str(timezone.localdate() + timedelta(days=9))
    client.post(page, {"name": NAME, "reach": REACH, "keep_until": until})
    shown = client.get(page).content.decode()
    assert NAME in shown
    assert REACH in shown
    assert client.post(page, {"name": "", "reach": "", "keep_until": until}).status_code == 400
    client.post(reverse("job-customer-erase", args=[job.ref]))
    assert not Customer.of(bench.workshop).exists()


def leaks(text: Any) -> bool:
    """Whether the canary is in a text, or in any row of a list: a QuerySet prints but 21."""
    return "canary" in str(text).lower()


def sent_texts(mailoutbox: list[Any]) -> list[str]:
    """Return each mail as it is sent and as it is read: a body may be encoded on the way."""
    return [f"{one.message().as_string()}\n{one.subject}\n{one.body}" for one in mailoutbox]


def have_all_passed_on(bench: Bench, settings: Any) -> None:
    """Have alerts mailed, and sent to where nobody answers."""
    row = choices.save_choices(
        member=bench.technician,
        choices=choices.Choices(mail_on=True, address="tech@workshop.example"),
        now=NOW,
    )
    choices.confirm(token=choices.confirm_token(row))
    settings.WEBHOOKS_TO_LOOPBACK = True
    bench.webhook("http://127.0.0.1:9/alerts")


def test_it_goes_nowhere_else(
    bench: Bench, caplog: pytest.LogCaptureFixture, settings: Any, mailoutbox: list[Any]
) -> None:
    """A canary in name and reach; what comes out of every other door is looked through."""
    have_all_passed_on(bench, settings)
    with caplog.at_level(logging.DEBUG):
        job = bench.job("W7-60 R1 W", technician=bench.technician)
        path = f"/api/v1/jobs/{job.ref}/customer/"
        body = {"name": NAME, "reach": REACH}
        headers = {"Idempotency-Key": '"one"'}
        client_of(bench).put(path, body, format="json", headers=headers)
        client_of(bench).put(path, {**body, "keep_until": "1999-01-01"}, format="json")
        again = {"Idempotency-Key": '"two"'}
        detail = f"/api/v1/jobs/{job.ref}/"
        kept = client_of(bench).patch(detail, {"own_number": "T 1"}, format="json", headers=again)
        assert kept.status_code == 200
        bench.donor("W7-60 R1 W")
        bench.drain()
        errands.drain(now=timezone.now)
    alerts = list(Alert.of(bench.workshop))
    assert alerts
    assert caplog.text
    assert not leaks(caplog.text)
    replies = list(KeptReply.of(bench.workshop).values())
    assert [one["key"] for one in replies] == ["two"]  # the customer's own is not kept at all
    events = list(OutboxEvent.of(bench.workshop).values())
    assert events
    assert not leaks([replies, events, list(Delivery.of(bench.workshop).values())])
    bodies = [webhooks.body(alert).decode() for alert in alerts]
    assert all(job.ref in one for one in bodies)
    assert not leaks(bodies)
    for kind in sheets.kinds():
        out = io.StringIO()
        call_command("export_csv", kind, "-", workshop=bench.workshop.slug, stdout=out)
        assert not leaks(out.getvalue()), kind
    token = choices.make_feed(member=bench.technician, now=NOW)
    feed = Client().get(reverse("feed", args=[token]))
    assert feed.status_code == 200
    assert b"<entry>" in feed.content
    assert not leaks(feed.content.decode())
    owner = Client()
    owner.force_login(bench.members["owner"].user)
    for route in ("alerts", "jobs", "find", "home"):
        page = owner.get(reverse(route), {"text": "Quillfeather"})
        assert "0700 canary" not in page.content.decode(), route
        assert "Canary" not in page.content.decode(), route
    assert not leaks(owner.get(reverse("job", args=[job.ref])).content.decode())
    assert not leaks(client_of(bench).get(f"/api/v1/jobs/{job.ref}/").data)
    mails = sent_texts(mailoutbox)
    assert any(job.ref in one for one in mails)
    assert not leaks(mails)
    assert not leaks(Customer.of(bench.workshop).get())  # as it is printed
    # Negative control: the one door it does come out of.
    assert leaks(client_of(bench).get(path).data)
