"""Alerts by mail: when, to whom, what stands in them, and what stops them."""

import smtplib
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from email import message_from_string
from email.policy import default
from typing import Any

import pytest
from django.core import mail
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from matching.domain.echo.retrying import MOST_TRIES
from matching.domain.echo.times import Way
from matching.echo import choices, mails, planning, sending, webhooks
from matching.echo.choices import Choices, KindChoice
from matching.models import Alert, DeliveredAlert, Delivery, EchoSettings
from tests.factories import NOW, Bench
from tests.integration.matching.echo.conftest import Tell, pass_on, settle
from workshop import leases
from workshop.errors import InputRefused
from workshop.models import Member, OutboxEvent, Workshop
from workshop.templatetags.shown import percent

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(days=30)


def deliveries() -> list[Delivery]:
    return list(Delivery.objects.unscoped().order_by("made_at", "id"))


def test_an_alert_is_mailed_at_once_and_only_once(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    wants_mail()
    [alert] = tell()
    assert pass_on(NOW) == 1
    [sent] = mail.outbox
    assert sent.to == ["tech@workshop.example"]
    assert sent.subject == f"[Millrace Repairs] {alert.summary}"
    assert f"https://bench.example/jobs/{alert.job.ref}/" in sent.body
    assert pass_on(LATER) == 0
    assert planning.settle_left_over(LATER) == 0
    Alert.of(bench.workshop).update(echoed=False)  # even if it were forgotten that it is settled
    assert planning.settle_left_over(LATER) == 1
    assert pass_on(LATER) == 0
    assert len(mail.outbox) == len(deliveries()) == 1


def test_what_arrives_together_is_one_mail_for_each_member(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    owner = bench.members["owner"]
    wants_mail()
    wants_mail(owner, address="owner@workshop.example")
    tell(3)
    tell(2, to=owner)
    pass_on(NOW)
    subjects = {one.to[0]: one.subject for one in mail.outbox}
    assert subjects.keys() == {"tech@workshop.example", "owner@workshop.example"}
    assert "3 alerts: " in subjects["tech@workshop.example"]
    assert "2 alerts: " in subjects["owner@workshop.example"]


def test_a_machine_that_comes_in_is_mailed(bench: Bench, wants_mail: Callable[..., None]) -> None:
    wants_mail()
    bench.job("W7-60 R1 W", technician=bench.technician)
    bench.donor("W7-60 R1 W")
    bench.drain()
    [alert] = Alert.of(bench.workshop).filter(recipient=bench.technician)
    assert pass_on(datetime.now(UTC)) == 1
    assert alert.summary in mail.outbox[0].body
    assert f"fits {percent(alert.p_fit)}, good {percent(alert.p_good)}" in mail.outbox[0].body


@pytest.mark.parametrize(
    "values",
    [
        {"mail_on": False},
        {"kinds": {"review": KindChoice(Way.OFF)}},
    ],
)
def test_what_was_not_asked_for_is_not_mailed(
    tell: Tell, wants_mail: Callable[..., None], values: dict[str, Any]
) -> None:
    wants_mail(**values)
    tell()
    assert pass_on(NOW) == 0
    assert not mail.outbox


def test_nothing_is_mailed_while_no_mail_is_set_up(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None], settings: Any
) -> None:
    wants_mail()
    [before] = tell()
    settle(NOW)
    settings.EMAIL_BACKEND = settings.NO_MAIL
    tell()
    assert pass_on(LATER) == 0
    assert not mail.outbox
    assert [one.alert_id for one in DeliveredAlert.of(bench.workshop)] == [before.pk]
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert pass_on(LATER) == 1  # what waited goes once it is


def test_without_mail_or_webhook_an_alert_records_nothing_more(bench: Bench, tell: Tell) -> None:
    events = OutboxEvent.of(bench.workshop).count()
    [alert] = tell()
    alert.refresh_from_db()
    assert alert.echoed
    assert OutboxEvent.of(bench.workshop).count() == events


def test_an_alert_written_by_any_other_way_is_found_by_the_sweep(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    [alert] = tell()
    wants_mail()
    Alert.of(bench.workshop).update(echoed=False)
    assert planning.settle_left_over(NOW) == 1
    assert pass_on(NOW) == 1
    assert alert.summary in mail.outbox[0].body


LISBON = {"time_zone": "Europe/Lisbon", "quiet_from": time(22), "quiet_to": time(6)}


def test_quiet_hours_end_in_one_mail_over_a_change_of_the_clocks(
    tell: Tell, wants_mail: Callable[..., None]
) -> None:
    """Lisbon goes to summer time on 2027-03-28 at 01:00 UTC: 06:00 is then 05:00 UTC."""
    wants_mail(**LISBON)
    for at in (
        datetime(2027, 3, 27, 22, 30, tzinfo=UTC),
        datetime(2027, 3, 28, 0, 59, tzinfo=UTC),
        datetime(2027, 3, 28, 4, 59, tzinfo=UTC),
    ):
        tell(2, now=at)
        assert pass_on(at) == 0
    assert pass_on(datetime(2027, 3, 28, 5, 0, tzinfo=UTC)) == 1
    assert "6 alerts: " in mail.outbox[0].subject


def test_the_daily_mail_comes_at_its_hour_on_both_sides_of_a_change(
    tell: Tell, wants_mail: Callable[..., None]
) -> None:
    wants_mail(
        time_zone="Europe/Lisbon",
        daily_at=time(7),
        kinds={"review": KindChoice(Way.DAILY), "over": KindChoice(Way.AT_ONCE)},
    )
    saturday = datetime(2027, 3, 27, 12, tzinfo=UTC)
    tell(2, now=saturday)
    tell(1, news="over", now=saturday)
    assert pass_on(saturday) == 1
    tell(1, now=saturday + timedelta(hours=5))
    assert pass_on(datetime(2027, 3, 28, 5, 59, tzinfo=UTC)) == 0
    assert pass_on(datetime(2027, 3, 28, 6, 0, tzinfo=UTC)) == 1
    assert "3 alerts: " in mail.outbox[1].subject


def test_a_mail_that_was_late_keeps_to_quiet_hours_and_to_what_was_changed(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    wants_mail()
    tell()
    settle(NOW)
    night = datetime(2027, 1, 10, 23, tzinfo=UTC)
    wants_mail(**LISBON)
    assert pass_on(night) == 0
    [held] = deliveries()
    assert (held.attempts, held.available_at) == (0, datetime(2027, 1, 11, 6, tzinfo=UTC))
    choices.save_choices(member=bench.technician, choices=Choices(address="a@b.example"), now=NOW)
    assert pass_on(datetime(2027, 1, 11, 6, tzinfo=UTC)) == 0
    [dropped] = deliveries()
    assert (dropped.state, dropped.dropped) == ("dropped", "mail is switched off")


def test_someone_who_no_longer_works_here_gets_nothing(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    wants_mail()
    tell()
    settle(NOW)
    Member.of(bench.workshop).filter(pk=bench.technician.pk).update(active=False)
    assert pass_on(NOW) == 0
    tell()
    assert pass_on(NOW) == 0
    assert not mail.outbox


class Broken:
    """A mail server that fails a number of times."""

    def __init__(self, times: int) -> None:
        self.left, self.ids = times, []

    def __call__(self, built: Any) -> None:
        self.ids.append(built.message()["Message-ID"])
        self.left -= 1
        if self.left >= 0:
            raise smtplib.SMTPServerDisconnected("Connection\r\nunexpectedly closed")


def test_a_failed_mail_is_tried_again_under_the_same_id_then_shown_to_the_owner(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = Broken(MOST_TRIES)
    monkeypatch.setattr(mails, "send", broken)
    wants_mail()
    tell()
    now = NOW
    for tries in range(1, MOST_TRIES + 1):
        assert pass_on(now) == 1, tries
        [row] = deliveries()
        assert row.attempts == tries
        assert row.last_error == "SMTPServerDisconnected: Connection unexpectedly closed"
        if tries < MOST_TRIES:
            assert row.state == "waiting"
            assert pass_on(now) == 0
            now = row.available_at
    assert timedelta(hours=75, minutes=35) <= now - NOW <= timedelta(hours=84)
    assert row.state == "given up"
    # A mail once tried takes no more alerts in: a repeat says the same.
    tell(now=NOW)
    assert pass_on(NOW) == 1
    assert len(set(broken.ids)) == 2
    webhooks.send_again(workshop=bench.workshop, delivery_id=row.pk, now=now)
    assert pass_on(now) == 1
    assert broken.ids[-1] == broken.ids[0]
    row.refresh_from_db()
    assert row.state == "sent"


def test_a_process_that_dies_while_sending_leaves_it_to_another_under_the_same_id(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    wants_mail()
    tell()
    settle(NOW)
    first = sending.take_due(NOW, frozenset())
    assert first is not None
    first.run()  # sent; then the process is gone and notes nothing
    assert sending.take_due(NOW + leases.LEASE, frozenset()) is None
    assert pass_on(NOW + leases.LEASE + timedelta(seconds=1)) == 1
    ids = {one.message()["Message-ID"] for one in mail.outbox}
    assert (len(mail.outbox), len(ids)) == (2, 1)
    # What the dead one would have noted late changes nothing.
    first.record(OSError("late"), NOW)
    assert deliveries()[0].state == "sent"


def parsed(number: int = 0) -> Any:
    return message_from_string(mail.outbox[number].message().as_string(), policy=default)


def test_the_mail_is_whole_and_nothing_typed_becomes_a_header_or_markup(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    """Headers: RFC 2369 and 8058 (List-Unsubscribe), RFC 3834 (Auto-Submitted)."""
    Workshop.objects.filter(pk=bench.workshop.pk).update(name="Mill\r\nBcc: all@x.example")
    wants_mail()
    tell(summary="J-1: <script>alert(1)</script> & more\r\nBcc: all@x.example\r\n\r\nHello")
    pass_on(NOW)
    built = parsed()
    assert built["Bcc"] is None
    assert "\n" not in built["Subject"]
    assert built["Auto-Submitted"] == "auto-generated"
    assert built["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert built["List-Unsubscribe"].strip().startswith("<https://bench.example/mail/stop/")
    assert built["Message-ID"] == f"<{deliveries()[0].pk.hex}@bench.example>"
    assert built["Date"]
    parts = [part.get_content_type() for part in built.walk()]
    assert parts == ["multipart/alternative", "text/plain", "text/html"]
    html = built.get_body(("html",)).get_content()
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    text = built.get_body(("plain",)).get_content()
    assert "<script>alert(1)</script> & more Bcc: all@x.example Hello" in text


@pytest.mark.parametrize(
    "address",
    [
        "a@b.example\nBcc: c@d.example",
        "a@b.example\r\n\r\nHello",
        "a@b.example, c@d.example",
        "A Name <a@b.example>",
        "a b@c.example",
        "",
        "a",
        "a@\x00b.example",
        f"{'a' * 250}@b.example",
    ],
)
def test_only_one_plain_address_is_taken(bench: Bench, address: str) -> None:
    stated = Choices(mail_on=True, address=address)
    with pytest.raises(InputRefused) as refused:
        choices.save_choices(member=bench.technician, choices=stated, now=NOW)
    assert "address" in refused.value.fields
    assert not EchoSettings.of(bench.workshop).exists()


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"time_zone": "Mars/Olympus"}, "time_zone"),
        ({"time_zone": "../etc/passwd"}, "time_zone"),
        ({"quiet_from": time(1)}, "quiet_to"),
        ({"quiet_to": time(1)}, "quiet_from"),
        ({"quiet_from": time(1), "quiet_to": time(1)}, "quiet_to"),
        ({"kinds": {"weather": KindChoice()}}, "kinds"),
    ],
)
def test_choices_that_say_nothing_usable_are_refused(
    bench: Bench, values: dict[str, Any], field: str
) -> None:
    with pytest.raises(InputRefused) as refused:
        choices.save_choices(member=bench.technician, choices=Choices(**values), now=NOW)
    assert set(refused.value.fields) == {field}


def test_a_kind_of_news_nobody_chose_about_is_mailed_at_once(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    """Kinds are added to the service later; silence about them would lose them."""
    wants_mail(kinds={"found": KindChoice(Way.OFF)})
    tell()
    assert pass_on(NOW) == 1
    row = choices.settings_of(bench.technician)
    assert choices.kinds_of(row).keys() == set(Alert.News.values)


def test_a_mail_of_very_many_alerts_is_several(tell: Tell, wants_mail: Callable[..., None]) -> None:
    wants_mail()
    tell(planning.MOST_A_MAIL + 1)
    assert pass_on(NOW) == 2
    assert "100 alerts: " in " ".join(one.subject for one in mail.outbox)  # in either order


def test_settling_asks_no_more_often_for_more_alerts(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    wants_mail()
    bench.webhook()

    def count() -> int:
        with CaptureQueriesContext(connection) as seen, transaction.atomic():
            planning.settle(bench.workshop.pk, now=NOW)
        return len(seen)

    tell(1)
    few = count()
    tell(40)
    assert count() == few


def test_the_database_itself_refuses_a_second_mail_of_an_alert(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    wants_mail()
    [alert] = tell()
    settle(NOW)
    again = Delivery.objects.create(
        workshop=bench.workshop, channel="mail", member=bench.technician, made_at=NOW
    )
    with pytest.raises(IntegrityError), transaction.atomic():
        DeliveredAlert.objects.create(workshop=bench.workshop, delivery=again, alert=alert)


@pytest.mark.parametrize(
    "values",
    [
        {"channel": "mail"},
        {"channel": "webhook"},
        {"channel": "fax", "member": "technician"},
        {"channel": "mail", "member": "technician", "done_at": NOW, "dead_at": NOW},
        {"channel": "mail", "member": "technician", "dropped": "why"},
        {"channel": "mail", "member": "technician", "leased_until": NOW},
    ],
)
def test_the_database_refuses_deliveries_that_make_no_sense(
    bench: Bench, values: dict[str, Any]
) -> None:
    named = {**values, "member": bench.members.get(values.get("member", ""))}
    with pytest.raises(IntegrityError), transaction.atomic():
        Delivery.objects.create(workshop=bench.workshop, made_at=NOW, **named)


def test_old_deliveries_are_forgotten_and_the_alert_is_not_mailed_again(
    bench: Bench, tell: Tell, wants_mail: Callable[..., None]
) -> None:
    wants_mail()
    tell()
    pass_on(NOW)
    late = NOW + sending.KEPT_FOR
    assert sending.forget_old(late) == 0
    assert sending.forget_old(late + timedelta(seconds=1)) == 1
    assert planning.settle_left_over(late) == pass_on(late) == 0
