"""Take what is due, send it, note what became of it. Registered as errands (workshop/errands.py).

Taking and noting are short transactions of their own; in between nothing is locked. Sent at
least once: where a process dies after sending, the lease runs out and the same is sent again
under the same id.
"""

import http.client
import logging
import random
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial

from django.conf import settings as site
from django.core.mail import EmailMultiAlternatives
from django.db import transaction
from django.db.models import QuerySet

from matching.domain.echo.retrying import wait_after
from matching.domain.echo.times import Way, quiet_until
from matching.echo import mails, webhooks
from matching.echo.choices import KindChoice, hours_of, kinds_of, mail_is_set_up
from matching.models import Alert, Delivery, EchoSettings, WebhookEndpoint
from workshop import leases, tracing, web_addresses
from workshop.errands import MOST_SECONDS, Errand
from workshop.web_addresses import Answer

log = logging.getLogger(__name__)

KEPT_FOR = timedelta(days=90)  # the list of what was sent (our own choice)
MAIL, HOOK = "mail ", "webhook "

Prepared = Callable[[], object]


def take_due(now: datetime, busy: frozenset[str]) -> Errand | None:
    """Lease one delivery that is due, to nobody who is busy; None when there is none.

    What needs no sending after all (mail switched off meanwhile) is closed on the way.
    """
    while True:
        claimed = leases.claim(_ready(busy), now=now, batch=1)
        if not claimed.ids:
            return None
        delivery = Delivery.objects.unscoped().filter(lease=claimed.lease).first()
        run = _prepare(delivery, now) if delivery else None
        if delivery is not None and run is not None:
            return Errand(_target(delivery), run, partial(_note_traced, delivery))


def _ready(busy: frozenset[str]) -> "QuerySet[Delivery]":
    members = [int(one.removeprefix(MAIL)) for one in busy if one.startswith(MAIL)]
    hooks = [int(one.removeprefix(HOOK)) for one in busy if one.startswith(HOOK)]
    rows = Delivery.objects.unscoped().exclude(member__in=members).exclude(endpoint__in=hooks)
    return rows if mail_is_set_up() else rows.exclude(channel=Delivery.Channel.MAIL)


def _target(delivery: Delivery) -> str:
    if delivery.channel == Delivery.Channel.MAIL:
        return f"{MAIL}{delivery.member_id}"
    return f"{HOOK}{delivery.endpoint_id}"


def _prepare(delivery: Delivery, now: datetime) -> Prepared | None:
    """Return what sends a delivery without asking the database; None when it is closed now."""
    try:
        if delivery.channel == Delivery.Channel.MAIL:
            return _prepare_mail(delivery, now)
        return _prepare_webhook(delivery, now)
    except Exception as error:  # what cannot be put together is noted like what cannot be sent
        return partial(_fail, error)


def _fail(error: Exception) -> None:
    raise error


def _alerts(delivery: Delivery) -> list[Alert]:
    rows = Alert.of(delivery.workshop_id).filter(echoes__delivery=delivery)
    rows = rows.select_related("recipient__user", "job", "need", "part", "listing")
    return list(rows.order_by("told_at", "id"))


def _prepare_mail(delivery: Delivery, now: datetime) -> Prepared | None:
    rows = EchoSettings.of(delivery.workshop_id).filter(member=delivery.member_id)
    settings = rows.select_related("member__workshop", "member__user").first()
    if delivery.asks:
        return _prepare_asking(delivery, settings, now)
    if settings is None or not settings.mail_on:
        _drop(delivery, "mail is switched off", now)
        return None
    if not (settings.member.active and settings.member.user.is_active):
        _drop(delivery, "no longer an active member", now)
        return None
    if settings.confirmed != settings.address:
        _drop(delivery, "its address is not confirmed", now)
        return None
    kinds = kinds_of(settings)
    wanted = [
        one for one in _alerts(delivery) if kinds.get(one.news, KindChoice()).mail is not Way.OFF
    ]
    if not wanted:
        _drop(delivery, "nothing in it is mailed any more", now)
        return None
    later = quiet_until(now, hours_of(settings))
    if later is not None:
        _hold_back(delivery, later)
        return None
    built: EmailMultiAlternatives = mails.message(delivery, settings, wanted)
    return partial(mails.send, built)


def _prepare_asking(
    delivery: Delivery, settings: EchoSettings | None, now: datetime
) -> Prepared | None:
    """Return what asks an address whether alerts may come; None when there is no need any more."""
    if settings is None or settings.address != delivery.asks or not settings.mail_on:
        _drop(delivery, "another address is used, or none", now)
        return None
    if settings.confirmed == delivery.asks:
        _drop(delivery, "the address is confirmed", now)
        return None
    return partial(mails.send, mails.asking(delivery, settings))


def _prepare_webhook(delivery: Delivery, now: datetime) -> Prepared | None:
    with transaction.atomic():
        endpoint = _locked_endpoint(delivery)
        if endpoint is None:
            return None
        if endpoint.paused_at is not None:
            _hold_back(delivery, None)
            return None
    alerts = _alerts(delivery)
    if not alerts:
        _drop(delivery, "its alert is gone", now)
        return None
    content = webhooks.body(alerts[0])
    headers = webhooks.headers(endpoint, delivery, content, now=now)
    if headers is None:
        raise web_addresses.Refused("The secret cannot be made any more: replace it.")
    return partial(web_addresses.post, endpoint.url, content, headers, seconds=float(MOST_SECONDS))


def _ours(delivery: Delivery) -> "QuerySet[Delivery]":
    return Delivery.of(delivery.workshop_id).filter(pk=delivery.pk, lease=delivery.lease)


def _locked_endpoint(delivery: Delivery) -> WebhookEndpoint | None:
    """Return the endpoint, locked; None for a mail, or when it was removed.

    Always before a delivery is written, in this order: who pauses or removes an endpoint does so
    too.
    """
    if delivery.endpoint_id is None:
        return None
    rows = WebhookEndpoint.of(delivery.workshop_id).select_for_update(no_key=True)
    return rows.filter(pk=delivery.endpoint_id).first()


def _drop(delivery: Delivery, why: str, now: datetime) -> None:
    _ours(delivery).update(done_at=now, dropped=why, lease=None, leased_until=None)


def _hold_back(delivery: Delivery, until: datetime | None) -> None:
    """Give a delivery back untried until a moment; None: until its endpoint is resumed."""
    attempts = max(0, delivery.attempts - 1)
    _ours(delivery).update(available_at=until, attempts=attempts, lease=None, leased_until=None)


def _note_traced(delivery: Delivery, result: object, now: datetime) -> None:
    """Note a try under the id of the request it goes back to, and say so in the log."""
    with tracing.following(delivery.request_id or tracing.made()):
        _note(delivery, result, now)
        told = {"delivery": str(delivery.pk), "attempts": delivery.attempts}
        log.info("delivery failed" if _fault(result) else "delivery sent", extra=told)


def _note(delivery: Delivery, result: object, now: datetime) -> None:
    """Write what became of a try: sent, to be tried again, or given up on."""
    status = result.status if isinstance(result, Answer) else None
    error = _fault(result)
    if not error:
        _note_sent(delivery, status, now)
        return
    asked = timedelta(seconds=result.retry_after) if isinstance(result, Answer) else timedelta()
    wait = wait_after(delivery.attempts, chance=random.random(), asked=asked)
    with transaction.atomic():
        endpoint = _locked_endpoint(delivery)
        changed = _ours(delivery).update(
            lease=None,
            leased_until=None,
            tried_at=now,
            last_status=status,
            last_error=error[:300],
            **({"dead_at": now} if wait is None else {"available_at": now + wait}),
        )
        if changed and endpoint is not None:
            _note_failing(endpoint, status, now)


def _note_sent(delivery: Delivery, status: int | None, now: datetime) -> None:
    with transaction.atomic():
        endpoint = _locked_endpoint(delivery)
        _ours(delivery).update(
            done_at=now,
            tried_at=now,
            last_status=status,
            last_error="",
            lease=None,
            leased_until=None,
        )
        if endpoint is not None and endpoint.failing_since is not None:
            endpoint.failing_since = None
            endpoint.save(update_fields=["failing_since"])


def _note_failing(endpoint: WebhookEndpoint, status: int | None, now: datetime) -> None:
    """Note since when an endpoint fails; pause it when it is gone (410) or fails for days."""
    if endpoint.paused_at is not None:
        return
    if endpoint.failing_since is None:
        endpoint.failing_since = now
        endpoint.save(update_fields=["failing_since"])
    days = int(site.WEBHOOK_PAUSE_DAYS)
    if status == http.client.GONE:
        webhooks.pause(endpoint, because="the receiver answered 410, gone", now=now)
    elif now - endpoint.failing_since >= timedelta(days=days):
        webhooks.pause(endpoint, because=f"nothing came through for {days} days", now=now)


def _fault(result: object) -> str:
    """Return in a sentence why a try failed; "" when it did not."""
    if isinstance(result, Answer):
        if 200 <= result.status < 300:
            return ""
        if 300 <= result.status < 400:
            return f"Answered {result.status}: it points elsewhere, and redirects are not followed."
        return f"Answered {result.status}."
    if isinstance(result, web_addresses.Refused):
        return str(result)
    if isinstance(result, TimeoutError):
        return f"No answer within {MOST_SECONDS} seconds."
    if isinstance(result, BaseException):
        said = mails.one_line(str(result))
        return f"{type(result).__name__}: {said}" if said else type(result).__name__
    return ""


def forget_old(now: datetime) -> int:
    """Remove what was sent or dropped more than KEPT_FOR ago (a sweep). Returns how many."""
    rows = Delivery.objects.unscoped().filter(done_at__lt=now - KEPT_FOR)
    gone = list(rows.values_list("pk", flat=True)[:1000])
    Delivery.objects.unscoped().filter(pk__in=gone).delete()
    return len(gone)
