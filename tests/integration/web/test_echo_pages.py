"""Pages of what passes alerts on: a member's choices, the owner's webhooks, the live count."""

import re
from datetime import time
from pathlib import Path

import pytest
from django.conf import settings as site
from django.core import mail
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from matching.echo import choices, webhooks
from matching.echo.choices import Choices
from matching.models import Alert, Delivery, EchoSettings, WebhookEndpoint
from tests.factories import NOW, Bench
from tests.integration.matching.echo.conftest import confirmed
from tests.integration.web.reading import has_field_message, text_of

pytestmark = pytest.mark.django_db

MINE = {
    "mail_on": "on",
    "address": "tech@workshop.example",
    "time_zone": "Europe/Lisbon",
    "daily_at": "07:30",
    "quiet_from": "22:00",
    "quiet_to": "06:00",
    **{f"mail_{news}": "at-once" for news in Alert.News.values},
    **{f"feed_{news}": "on" for news in Alert.News.values},
}


@pytest.fixture
def told(bench: Bench) -> Alert:
    bench.job("W7-60 R1 W", technician=bench.technician)
    bench.donor("W7-60 R1 W")
    bench.drain()
    return Alert.of(bench.workshop).get(recipient=bench.technician)


def test_a_member_says_how_alerts_reach_them(bench: Bench, technician: Client) -> None:
    typed = {**MINE, "mail_failed": "daily"}
    del typed["feed_gone"]
    answer = technician.post(reverse("my-alerts"), typed, follow=True)
    assert "Your choices are stored" in text_of(answer)
    row = choices.settings_of(bench.technician)
    assert (row.address, row.time_zone, row.daily_at) == (
        "tech@workshop.example",
        "Europe/Lisbon",
        time(7, 30),
    )
    kinds = choices.kinds_of(row)
    assert (kinds["failed"].mail, kinds["gone"].in_feed, kinds["found"].in_feed) == (
        "daily",
        False,
        True,
    )
    form = technician.get(reverse("my-alerts")).context["form"]
    assert form["mail_failed"].value() == "daily"
    assert 'value="22:00"' in str(form["quiet_from"])


def test_the_page_has_a_row_for_every_kind_of_news(bench: Bench, technician: Client) -> None:
    page = text_of(technician.get(reverse("my-alerts")))
    for label in Alert.News.labels:
        assert label in page


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"address": "a@b.example\nBcc: c@d.example"}, "id_address", "one e-mail address"),
        ({"address": ""}, "id_address", "one e-mail address"),
        ({"quiet_to": ""}, "id_quiet_to", "both the beginning and the end"),
        ({"quiet_to": "22:00"}, "id_quiet_to", "none or all day"),
        ({"time_zone": "Mars/Olympus"}, "id_time_zone", "none of the choices"),
        ({"daily_at": "25:00"}, "id_daily_at", ""),
    ],
)
def test_what_cannot_be_used_is_shown_again(
    bench: Bench, technician: Client, typed: dict[str, str], field: str, words: str
) -> None:
    answer = technician.post(reverse("my-alerts"), {**MINE, **typed})
    assert answer.status_code == 400
    assert has_field_message(answer, field, words), text_of(answer)
    assert not choices.settings_of(bench.technician).pk


def test_the_page_says_when_no_mail_can_be_sent(technician: Client, settings) -> None:
    words = "no mail server is set up"
    assert words not in text_of(technician.get(reverse("my-alerts")))
    for name, value in (("EMAIL_BACKEND", site.NO_MAIL), ("SITE_ADDRESS", "")):
        before = getattr(settings, name)
        setattr(settings, name, value)
        assert words in text_of(technician.get(reverse("my-alerts")))
        setattr(settings, name, before)


def test_a_feed_s_address_is_shown_once(bench: Bench, technician: Client) -> None:
    page = technician.post(reverse("my-feed"))
    assert page.status_code == 200
    [address] = re.findall(r"https://bench\.example(/feeds/[\w-]+/)", page.content.decode())
    assert Client().get(address).status_code == 200
    later = technician.get(reverse("my-alerts"))
    assert "/feeds/" not in later.content.decode()
    assert "Make a new address" in text_of(later)
    technician.post(reverse("my-feed-end"))
    assert Client().get(address).status_code == 404


def stop_address(bench: Bench) -> str:
    choices.save_choices(
        now=NOW,
        member=bench.technician,
        choices=choices.Choices(mail_on=True, address="tech@workshop.example"),
    )
    return reverse("mail-stop", args=[choices.stop_token(choices.settings_of(bench.technician))])


def test_mail_is_stopped_by_its_link_without_signing_in(bench: Bench) -> None:
    """RFC 8058: only a POST stops, without cookie or form token; opening the link does not."""
    address = stop_address(bench)
    client = Client(enforce_csrf_checks=True)
    page = client.get(address)
    assert "Mail me no more" in text_of(page)
    assert page["Referrer-Policy"] == "no-referrer"
    assert choices.settings_of(bench.technician).mail_on
    done = client.post(address, {"List-Unsubscribe": "One-Click"})
    assert done.status_code == 200
    row = choices.settings_of(bench.technician)
    assert (row.mail_on, row.address) == (False, "tech@workshop.example")
    assert client.post(address).status_code == 200


def test_a_forged_link_and_one_to_an_address_left_behind_stop_nothing(bench: Bench) -> None:
    address = stop_address(bench)
    for forged in (address[:-2] + "x/", "/mail/stop/x/", "/mail/stop/a:b:c/"):
        assert Client().post(forged).status_code == 404
    choices.save_choices(
        member=bench.technician,
        choices=choices.Choices(mail_on=True, address="new@b.example"),
        now=NOW,
    )
    assert Client().post(address).status_code == 404
    assert choices.settings_of(bench.technician).mail_on


def test_the_owner_adds_a_webhook_and_sees_its_secret_once(bench: Bench, sign_in) -> None:
    owner = sign_in(bench, "owner")
    typed = {"name": "counter", "url": "https://hooks.example.com/a", "sends": ["found", "failed"]}
    page = owner.post(reverse("webhooks"), typed)
    assert page.status_code == 200
    row = WebhookEndpoint.of(bench.workshop).get()
    assert set(row.leaves_out) == set(Alert.News.values) - {"found", "failed"}
    secrets = re.findall(r"whsec_[A-Za-z0-9+/]{43}=", page.content.decode())
    assert len(secrets) == 1
    here = reverse("webhook", args=[row.pk])
    assert "whsec_" not in owner.get(here).content.decode()
    fresh = owner.post(reverse("webhook-rotate", args=[row.pk]))
    assert secrets[0] not in fresh.content.decode()
    assert "the one before signs as well" in text_of(fresh)
    assert "whsec_" not in owner.get(here).content.decode()


def test_pausing_resuming_and_removing(bench: Bench, sign_in) -> None:
    owner, row = sign_in(bench, "owner"), bench.webhook()
    answer = owner.post(reverse("webhook-pause", args=[row.pk]), follow=True)
    assert re.search(r"paused since [\d :-]+: by hand", text_of(answer))
    assert owner.post(reverse("webhook-pause", args=[row.pk])).status_code == 409
    owner.post(reverse("webhook-resume", args=[row.pk]))
    assert owner.post(reverse("webhook-resume", args=[row.pk])).status_code == 409
    owner.post(reverse("webhook-remove", args=[row.pk]))
    assert owner.get(reverse("webhook", args=[row.pk])).status_code == 404


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"url": "https://10.0.0.1/"}, "id_url", "names an IP address"),
        ({"url": "http://hooks.example.com/"}, "id_url", "must begin with https"),
        ({"name": ""}, "id_name", "Fill this in"),
    ],
)
def test_a_webhook_that_cannot_be_is_shown_again(
    bench: Bench, sign_in, typed: dict[str, str], field: str, words: str
) -> None:
    stated = {"name": "counter", "url": "https://hooks.example.com/", **typed}
    answer = sign_in(bench, "owner").post(reverse("webhooks"), stated)
    assert answer.status_code == 400
    assert has_field_message(answer, field, words), text_of(answer)


def test_only_the_owner_sees_webhooks(bench: Bench, reviewer: Client) -> None:
    row = bench.webhook()
    for address in (reverse("webhooks"), reverse("webhook", args=[row.pk])):
        assert reviewer.get(address).status_code == 403
    assert "Webhooks" not in text_of(reviewer.get(reverse("alerts")))


def test_the_owner_sees_what_could_not_be_sent_and_sends_it_again(
    bench: Bench, told: Alert, sign_in
) -> None:
    owner = sign_in(bench, "owner")
    row = bench.delivery(bench.webhook(), told)
    Delivery.of(bench.workshop).update(done_at=None, dead_at=NOW, last_error="Answered 500.")
    dead_mail = Delivery.objects.create(
        workshop=bench.workshop,
        channel="mail",
        member=bench.technician,
        made_at=NOW,
        dead_at=NOW,
        last_error="SMTPServerDisconnected",
    )
    assert "2 mails or webhooks could not be sent" in text_of(owner.get(reverse("home")))
    assert "could not be sent" not in text_of(sign_in(bench).get(reverse("home")))
    assert "SMTPServerDisconnected" in text_of(owner.get(reverse("webhooks")))
    page = text_of(owner.get(reverse("webhook", args=[row.endpoint_id])))
    assert f"msg_{row.pk.hex}" in page
    assert "given up" in page
    assert "Answered 500." in page
    for one in (row, dead_mail):
        owner.post(reverse("delivery-again", args=[one.pk]))
        one.refresh_from_db()
        assert one.state == "waiting"


def test_the_pages_ask_no_more_often_as_rows_grow(bench: Bench, told: Alert, sign_in) -> None:
    owner = sign_in(bench, "owner")
    one = bench.webhook()

    def count() -> list[int]:
        found = []
        for address in (reverse("webhooks"), reverse("webhook", args=[one.pk])):
            owner.get(address)
            with CaptureQueriesContext(connection) as seen:
                owner.get(address)
            found.append(len(seen))
        return found

    bench.delivery(one, told)
    few = count()
    for number in range(4):
        other = bench.webhook(f"https://hooks.example.com/{number}")
        bench.delivery(other, told)
        Delivery.objects.create(
            workshop=bench.workshop, channel="webhook", endpoint=one, made_at=NOW
        )
        Delivery.objects.create(
            workshop=bench.workshop,
            channel="mail",
            member=bench.technician,
            made_at=NOW,
            dead_at=NOW,
        )
    assert count() == few


def ask(client: Client, seen: object = "") -> object:
    return client.get(reverse("alerts-count"), {"seen": seen}, headers={"HX-Request": "true"})


def test_the_count_is_asked_for_anew_and_answers_only_when_it_changed(
    told: Alert, technician: Client
) -> None:
    page = technician.get(reverse("home")).content.decode()
    [asked] = re.findall(r'hx-get="(/alerts/count/\?seen=\d+)"', page)
    assert asked.endswith("seen=1")
    assert technician.get(asked).status_code == 204
    technician.post(reverse("alert-read", args=[told.pk]))
    changed = technician.get(asked)
    assert changed.status_code == 200
    assert "seen=0" in changed.content.decode()
    assert "unread" not in text_of(changed)
    assert changed["Cache-Control"].count("no-store") == 1


def test_the_count_is_cheap_and_writes_nothing(told: Alert, technician: Client) -> None:
    with CaptureQueriesContext(connection) as seen:
        ask(technician)
    assert len(seen) <= 4  # session, user, membership, the count
    assert not [q for q in seen if not q["sql"].lstrip().startswith("SELECT")]


def test_the_count_s_query_uses_its_index(told: Alert) -> None:
    rows = Alert.of(told.workshop_id).filter(recipient=told.recipient_id, read_at__isnull=True)
    rows = rows.order_by().values("recipient")
    if connection.vendor == "sqlite":
        assert "alert_unread" in rows.explain()
        return
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_seqscan = off")
    assert "alert_" in rows.explain()


def test_someone_signed_out_is_told_to_ask_no_more(client: Client) -> None:
    """Status 286 ends htmx's polling (htmx documentation, hx-trigger), and nothing is put in."""
    answer = ask(client)
    assert (answer.status_code, answer["HX-Reswap"], answer.content) == (286, "none", b"")
    assert "hx-get" not in client.get(reverse("sign-in")).content.decode()
    assert "<script" not in client.get(reverse("sign-in")).content.decode()


def test_the_script_asks_only_while_the_page_is_seen() -> None:
    script = (Path(site.BASE_DIR) / "config/static/js/live.js").read_text()
    assert "document.hidden" in script
    assert "eval" not in script


def test_a_feed_or_secret_is_never_in_a_kept_reply(bench: Bench, sign_in) -> None:
    from rest_framework.test import APIClient

    from workshop.models import KeptReply

    client = APIClient()
    client.force_authenticate(bench.members["owner"].user)
    for path, body in (
        ("/api/v1/me/feed/", {}),
        ("/api/v1/webhooks/", {"name": "x", "url": "https://hooks.example.com/"}),
    ):
        key = {"Idempotency-Key": '"k"'}
        assert client.post(path, body, format="json", headers=key).status_code == 201
    assert not KeptReply.objects.unscoped().exists()
    assert not mail.outbox
    assert webhooks.list_endpoints(bench.workshop).count() == 1


def test_whose_mail_stands_still_sees_it_without_looking_for_it(
    bench: Bench, technician: Client, settings
) -> None:
    """After an update addresses must be confirmed, and nothing was mailed to say so."""
    said = "No alert is mailed to you now"
    confirmed(bench.technician, Choices(mail_on=True, address="a@b.example"))
    for route in ("home", "alerts"):
        assert said not in technician.get(reverse(route)).content.decode()
    EchoSettings.of(bench.workshop).update(confirmed="")
    for route in ("home", "alerts"):
        page = technician.get(reverse(route)).content.decode()
        assert said in page
        assert "a@b.example" in page
    technician.post(reverse("my-mail-ask"))
    assert Delivery.of(bench.workshop).filter(asks="a@b.example").count() == 1
    choices.confirm(token=choices.confirm_token(choices.settings_of(bench.technician)))
    assert said not in technician.get(reverse("home")).content.decode()
    # Where the site mails nobody, nobody is asked to confirm.
    EchoSettings.of(bench.workshop).update(confirmed="")
    settings.EMAIL_BACKEND = settings.NO_MAIL
    assert said not in technician.get(reverse("home")).content.decode()
