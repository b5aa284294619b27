"""An address is mailed alerts only once its holder has opened the link that was mailed to it."""

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.test import Client
from django.urls import reverse

from matching.echo import choices
from matching.echo.choices import Choices
from matching.models import Delivery
from tests.factories import NOW, Bench
from tests.integration.matching.echo.conftest import Tell, pass_on
from workshop.errors import Conflict, NotFound

pytestmark = pytest.mark.django_db

ADDRESS = "tech@workshop.example"


def wants(bench: Bench, address: str = ADDRESS, now: Any = NOW, **values: Any) -> None:
    chosen = Choices(mail_on=True, address=address, **values)
    choices.save_choices(member=bench.technician, choices=chosen, now=now)


def link(sent: Any) -> str:
    [found] = re.findall(r"https://bench\.example(/mail/confirm/\S+)", sent.body)
    return str(found)


def test_nothing_is_mailed_before_the_holder_confirms(bench: Bench, tell: Tell) -> None:
    wants(bench)
    tell()
    assert pass_on(NOW) == 1
    [asked] = mail.outbox
    assert asked.to == [ADDRESS]
    assert "J-0001" not in asked.body  # no word of the workshop's work to a stranger
    assert "J-0001" not in asked.subject
    pressed = Client().post(link(asked))
    assert pressed.status_code == 200
    tell()
    assert pass_on(NOW) == 1
    assert "J-0001" in mail.outbox[1].subject
    assert mail.outbox[1].to == [ADDRESS]


def test_opening_the_link_alone_confirms_nothing(bench: Bench) -> None:
    wants(bench)
    pass_on(NOW)
    page = Client().get(link(mail.outbox[0]))
    assert b"Mail alerts to this address" in page.content
    assert page["Referrer-Policy"] == "no-referrer"
    assert choices.needs_confirming(choices.settings_of(bench.technician))


def test_another_address_is_asked_anew_and_the_first_link_is_void(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    wants_mail(address=ADDRESS)
    first = choices.confirm_token(choices.settings_of(bench.technician))
    wants(bench, "other@workshop.example")
    tell()
    assert pass_on(NOW) == 1  # the asking, no alert
    assert mail.outbox[0].to == ["other@workshop.example"]
    with pytest.raises(NotFound):
        choices.confirm(token=first)
    wants(bench, ADDRESS)  # back at the one that was confirmed: asked no more
    tell()
    pass_on(NOW)
    assert [one.to for one in mail.outbox[1:]] == [[ADDRESS]]


@pytest.mark.parametrize("token", ["", "x", "x:y:z"])
def test_a_link_that_was_never_given_out_confirms_nothing(bench: Bench, token: str) -> None:
    wants(bench)
    with pytest.raises(NotFound):
        choices.confirm(token=token)


def test_a_link_to_stop_mails_does_not_confirm_them(bench: Bench) -> None:
    wants(bench)
    with pytest.raises(NotFound):
        choices.confirm(token=choices.stop_token(choices.settings_of(bench.technician)))


def test_a_link_is_good_for_a_week(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    wants(bench)
    token = choices.confirm_token(choices.settings_of(bench.technician))
    monkeypatch.setattr(choices, "CONFIRM_WITHIN", timedelta(0))
    with pytest.raises(NotFound):
        choices.confirm(token=token)


def test_strangers_addresses_are_asked_a_few_times_a_day_only(bench: Bench) -> None:
    for number in range(choices.MOST_ASKED):
        wants(bench, f"stranger{number}@b.example")
    with pytest.raises(Conflict):
        wants(bench, "another@b.example")
    assert choices.settings_of(bench.technician).address == "stranger4@b.example"
    with pytest.raises(Conflict):
        choices.ask_again(member=bench.technician, now=NOW + timedelta(hours=23))
    choices.ask_again(member=bench.technician, now=NOW + timedelta(hours=25))
    assert Delivery.of(bench.workshop).exclude(asks="").count() == choices.MOST_ASKED + 1


def test_the_page_says_what_it_waits_for_and_sends_the_link_again(bench: Bench) -> None:
    wants(bench)
    client = Client()
    client.force_login(bench.technician.user)
    page = client.get(reverse("my-alerts")).content.decode()
    assert f"{ADDRESS} is not confirmed yet" in page
    client.post(reverse("my-mail-ask"))
    assert Delivery.of(bench.workshop).exclude(asks="").count() == 2
    choices.confirm(token=choices.confirm_token(choices.settings_of(bench.technician)))
    assert "not confirmed" not in client.get(reverse("my-alerts")).content.decode()
    assert pass_on(NOW) == 0  # what was still to ask is dropped


def test_a_choice_beside_the_address_asks_nobody(bench: Bench) -> None:
    wants(bench)
    wants(bench, time_zone="Europe/Lisbon")
    assert Delivery.of(bench.workshop).exclude(asks="").count() == 1
