"""Settle where new alerts are passed on to: one delivery for each target, in one transaction.

Runs in the dispatcher under the workshop's lock; the database refuses a second one besides.
"""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime

from django.db import transaction
from django.db.models import F, QuerySet

from matching.domain.echo.times import due
from matching.echo.choices import KindChoice, hours_of, kinds_of, mail_is_set_up
from matching.models import Alert, DeliveredAlert, Delivery, EchoSettings, WebhookEndpoint
from workshop.models import Workshop

AT_ONCE = 500  # alerts settled in one query
MOST_A_MAIL = 100  # alerts in one mail; more go in a mail of their own


def anyone_to_tell(workshop_id: int) -> bool:
    """Return True when some member of a workshop has mail on, or some webhook is not paused."""
    if WebhookEndpoint.of(workshop_id).filter(paused_at__isnull=True).exists():
        return True
    return mail_is_set_up() and mailed_to(workshop_id).exists()


def mailed_to(workshop_id: int) -> "QuerySet[EchoSettings]":
    """Return the settings of those who have mail on, at an address they confirmed."""
    rows = EchoSettings.of(workshop_id)
    found: QuerySet[EchoSettings] = rows.filter(mail_on=True, confirmed=F("address"))
    return found


def settle(workshop_id: int, *, now: datetime) -> int:
    """Write the deliveries of all alerts not settled yet. Returns how many alerts were.

    In a transaction that holds the workshop's lock.
    """
    settled = 0
    while True:
        alerts = _open_alerts(workshop_id)
        if not alerts:
            return settled
        known = _known(alerts)
        _settle_mails(workshop_id, alerts, known, now)
        _settle_webhooks(workshop_id, alerts, known, now)
        Alert.of(workshop_id).filter(pk__in=[one.pk for one in alerts]).update(echoed=True)
        settled += len(alerts)


def settle_left_over(now: datetime) -> int:
    """Settle what no event told of (a sweep). Returns how many alerts."""
    rows = Alert.objects.unscoped().filter(echoed=False)
    settled = 0
    for workshop_id in list(rows.order_by().values_list("workshop_id", flat=True).distinct()):
        with transaction.atomic():
            Workshop.objects.select_for_update(no_key=True).get(id=workshop_id)
            settled += settle(workshop_id, now=now)
    return settled


def _open_alerts(workshop_id: int) -> list[Alert]:
    rows = Alert.of(workshop_id).filter(echoed=False).select_related("recipient")
    return list(rows.order_by("told_at", "id")[:AT_ONCE])


Known = set[tuple[object, int | None]]  # alert, endpoint (None: by mail)


def _known(alerts: list[Alert]) -> Known:
    rows = DeliveredAlert.of(alerts[0].workshop_id).filter(alert__in=[one.pk for one in alerts])
    return set(rows.values_list("alert_id", "endpoint_id"))


def _settle_mails(workshop_id: int, alerts: list[Alert], known: Known, now: datetime) -> None:
    """Put each alert into the mail it belongs to: one for each member and moment."""
    if not mail_is_set_up():
        return
    people = {one.recipient_id for one in alerts if one.recipient.active}
    rows = mailed_to(workshop_id).filter(member__in=people)
    settings = {one.member_id: one for one in rows.prefetch_related("choices")}
    mails: dict[tuple[int, datetime], list[Alert]] = defaultdict(list)
    times = {pk: (hours_of(one), kinds_of(one)) for pk, one in settings.items()}
    for alert in alerts:
        if alert.recipient_id not in times or (alert.pk, None) in known:
            continue
        hours, kinds = times[alert.recipient_id]
        at = due(now, kinds.get(alert.news, KindChoice()).mail, hours)
        if at is not None:
            mails[alert.recipient_id, at].append(alert)
    _write_mails(workshop_id, mails, now)


def _write_mails(
    workshop_id: int, mails: dict[tuple[int, datetime], list[Alert]], now: datetime
) -> None:
    open_mails = _open_mails(workshop_id, mails)
    made: list[Delivery] = []
    rows: list[DeliveredAlert] = []
    for (member_id, at), those in mails.items():
        mail, room = open_mails.get((member_id, at), (None, 0))
        for alert in those:
            if mail is None or room == 0:
                mail, room = _mail(alert, at, now), MOST_A_MAIL
                made.append(mail)
            room -= 1
            rows.append(DeliveredAlert(workshop_id=workshop_id, delivery=mail, alert=alert))
    Delivery.objects.bulk_create(made, batch_size=200)
    DeliveredAlert.objects.bulk_create(rows, batch_size=200)


def _open_mails(
    workshop_id: int, wanted: Iterable[tuple[int, datetime]]
) -> dict[tuple[int, datetime], tuple[Delivery, int]]:
    """Return mails that wait for these members and moments, locked, each with its room.

    One that was tried is closed: a repeat must say the same as the first.
    """
    wanted = list(wanted)
    if not wanted:
        return {}
    rows = Delivery.of(workshop_id).filter(
        member__in={member for member, _ in wanted},
        available_at__in={at for _, at in wanted},
        attempts=0,
        asks="",
        lease__isnull=True,
        done_at__isnull=True,
        dead_at__isnull=True,
    )
    locked = list(rows.select_for_update().order_by("made_at", "id"))
    counts: dict[object, int] = defaultdict(int)
    held = DeliveredAlert.of(workshop_id).filter(delivery__in=[one.pk for one in locked])
    for pk in held.values_list("delivery_id", flat=True):
        counts[pk] += 1
    return {
        (one.member_id, one.available_at): (one, max(0, MOST_A_MAIL - counts[one.pk]))
        for one in locked
        if one.member_id is not None and one.available_at is not None
    }


def _mail(first: Alert, at: datetime, now: datetime) -> Delivery:
    return Delivery(
        workshop_id=first.workshop_id,
        channel=Delivery.Channel.MAIL,
        member_id=first.recipient_id,
        request_id=first.request_id,
        made_at=now,
        available_at=at,
    )


def _settle_webhooks(workshop_id: int, alerts: list[Alert], known: Known, now: datetime) -> None:
    """Give each endpoint that is not paused a delivery of its own for each alert it wants."""
    made: list[Delivery] = []
    rows: list[DeliveredAlert] = []
    for endpoint in WebhookEndpoint.of(workshop_id).filter(paused_at__isnull=True):
        for alert in alerts:
            if alert.news in endpoint.leaves_out or (alert.pk, endpoint.pk) in known:
                continue
            made.append(
                Delivery(
                    workshop_id=workshop_id,
                    channel=Delivery.Channel.WEBHOOK,
                    endpoint=endpoint,
                    request_id=alert.request_id,
                    made_at=now,
                    available_at=now,
                )
            )
            rows.append(
                DeliveredAlert(
                    workshop_id=workshop_id, delivery=made[-1], alert=alert, endpoint=endpoint
                )
            )
    Delivery.objects.bulk_create(made, batch_size=200)
    DeliveredAlert.objects.bulk_create(rows, batch_size=200)
