"""What a webhook says, and the endpoints it goes to. Standard Webhooks specification 1.0.0."""

import json
from collections.abc import Collection
from datetime import datetime, timedelta
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import Count, Q, QuerySet

from matching.domain.echo import signing
from matching.echo.keys import new_seed, secret_of, signing_secrets
from matching.echo.mails import link
from matching.models import Alert, Delivery, WebhookEndpoint
from workshop import web_addresses
from workshop.domain.refusals import ValueRefused
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import Member, Workshop

MOST_ENDPOINTS = 10
OLD_SECRET_FOR = timedelta(hours=24)  # both secrets sign meanwhile (our own choice)
BY_HAND = "by hand"


def list_endpoints(workshop: Workshop) -> "QuerySet[WebhookEndpoint]":
    """Return a workshop's endpoints with how much waits for each and was given up on."""
    waits = Q(deliveries__done_at__isnull=True, deliveries__dead_at__isnull=True)
    rows = WebhookEndpoint.of(workshop).select_related("added_by__user")
    return rows.annotate(
        waiting=Count("deliveries", filter=waits & Q(deliveries__isnull=False)),
        given_up=Count("deliveries", filter=Q(deliveries__dead_at__isnull=False)),
    ).order_by("id")


def get_endpoint(workshop: Workshop, endpoint_id: int) -> WebhookEndpoint:
    """Return the endpoint as listed or raise NotFound."""
    found = list_endpoints(workshop).filter(pk=endpoint_id).first()
    if found is None:
        raise NotFound("There is no such webhook in this workshop.")
    return found


def add_endpoint(
    *,
    workshop: Workshop,
    member: Member,
    name: str,
    url: str,
    leaves_out: Collection[str] = (),
    now: datetime,
) -> tuple[WebhookEndpoint, str]:
    """Have alerts of a workshop sent to an address. Returns the endpoint and its secret.

    The secret is shown this once. Raises InputRefused by field, Conflict when the address is
    there already.
    """
    name, url = name.strip(), url.strip()
    _refuse_nonsense(name, url, leaves_out)
    seed, check_sum = new_seed()
    try:
        with transaction.atomic():
            Workshop.objects.select_for_update(no_key=True).get(pk=workshop.pk)
            if WebhookEndpoint.of(workshop).count() >= MOST_ENDPOINTS:
                raise Conflict(f"A workshop has at most {MOST_ENDPOINTS} webhooks. Remove one.")
            row: WebhookEndpoint = WebhookEndpoint.objects.create(
                workshop=workshop,
                name=name,
                url=url,
                leaves_out=sorted(set(leaves_out)),
                seed=seed,
                check_sum=check_sum,
                added_by=member,
                added_at=now,
            )
    except IntegrityError:
        raise Conflict(
            "Alerts are sent to this address already.", fields={"url": "Sent there already."}
        ) from None
    return row, _secret_text(row)


def _refuse_nonsense(name: str, url: str, leaves_out: Collection[str]) -> None:
    bad: dict[str, str] = {}
    if not name:
        bad["name"] = "Say what receives it."
    elif len(name) > 80:
        bad["name"] = "A name has at most 80 characters."
    try:
        web_addresses.read_target(url)
    except ValueRefused as refused:
        bad["url"] = f"The address {refused.fields['url']}."
    unknown = sorted(set(leaves_out) - set(Alert.News.values))
    if unknown:
        bad["leaves_out"] = f"There is no kind of news {unknown[0]!r}."
    if bad:
        raise InputRefused(" ".join(bad.values()), fields=bad)


def _secret_text(endpoint: WebhookEndpoint) -> str:
    secret = secret_of(endpoint.seed, endpoint.check_sum)
    assert secret is not None  # just made with the site's key
    return signing.secret_text(secret)


@transaction.atomic
def rotate_secret(
    *, workshop: Workshop, endpoint_id: int, now: datetime
) -> tuple[WebhookEndpoint, str]:
    """Give an endpoint a new secret. For 24 hours the one before signs as well.

    Returns the endpoint and the new secret, shown this once. Raises NotFound.
    """
    row = _locked(workshop, endpoint_id)
    row.old_seed, row.old_check_sum, row.old_until = row.seed, row.check_sum, now + OLD_SECRET_FOR
    row.seed, row.check_sum = new_seed()
    row.save(update_fields=["seed", "check_sum", "old_seed", "old_check_sum", "old_until"])
    return row, _secret_text(row)


@transaction.atomic
def pause_endpoint(
    *, workshop: Workshop, endpoint_id: int, now: datetime, because: str = BY_HAND
) -> None:
    """Send nothing more to an endpoint; what waits for it is held. Raises NotFound, Conflict."""
    row = _locked(workshop, endpoint_id)
    if row.paused_at is not None:
        raise Conflict(f"{row.name} is paused already: {row.paused_because}.")
    pause(row, because=because, now=now)


def pause(row: WebhookEndpoint, *, because: str, now: datetime) -> None:
    """Pause an endpoint that is locked, and hold what waits for it."""
    row.paused_at, row.paused_because = now, because[:200]
    row.save(update_fields=["paused_at", "paused_because"])
    _waiting(row).update(available_at=None)


@transaction.atomic
def resume_endpoint(*, workshop: Workshop, endpoint_id: int, now: datetime) -> None:
    """Send to an endpoint again, what was held first. Raises NotFound, Conflict."""
    row = _locked(workshop, endpoint_id)
    if row.paused_at is None:
        raise Conflict(f"{row.name} is not paused.")
    row.paused_at, row.paused_because, row.failing_since = None, "", None
    row.save(update_fields=["paused_at", "paused_because", "failing_since"])
    _waiting(row).filter(available_at__isnull=True).update(available_at=now)


@transaction.atomic
def remove_endpoint(*, workshop: Workshop, endpoint_id: int) -> None:
    """Remove an endpoint with its list of deliveries. Raises NotFound."""
    _locked(workshop, endpoint_id).delete()


def _locked(workshop: Workshop, endpoint_id: int) -> WebhookEndpoint:
    rows = WebhookEndpoint.of(workshop).select_for_update(no_key=True)
    row = rows.filter(pk=endpoint_id).first()
    if row is None:
        raise NotFound("There is no such webhook in this workshop.")
    return row


def _waiting(row: WebhookEndpoint) -> "QuerySet[Delivery]":
    return Delivery.of(row.workshop_id).filter(
        endpoint=row, done_at__isnull=True, dead_at__isnull=True
    )


def list_deliveries(workshop: Workshop) -> "QuerySet[Delivery]":
    """Return what was sent or is to be, latest first, with how many alerts each carries."""
    rows = Delivery.of(workshop).select_related("endpoint", "member__user")
    return rows.annotate(alert_count=Count("alerts")).order_by("-made_at", "-id")


@transaction.atomic
def send_again(*, workshop: Workshop, delivery_id: UUID, now: datetime) -> Delivery:
    """Have a delivery sent again under the same id, whether it came through or was given up on.

    Raises NotFound, Conflict while it waits anyway or its endpoint is paused.
    """
    row: Delivery | None = (
        Delivery.of(workshop)
        .select_for_update(of=("self",))
        .select_related("endpoint")
        .filter(pk=delivery_id)
        .first()
    )
    if row is None:
        raise NotFound("There is no such delivery in this workshop.")
    if row.endpoint is not None and row.endpoint.paused_at is not None:
        raise Conflict(f"{row.endpoint.name} is paused. Resume it first.")
    if row.done_at is None and row.dead_at is None:
        raise Conflict("It is not sent yet: it waits for its next try.")
    row.done_at = row.dead_at = row.lease = row.leased_until = None
    row.dropped, row.attempts, row.available_at = "", 0, now
    row.save()
    return row


def message_id(delivery: Delivery) -> str:
    """Return the id the receiver tells repeats by: the same each time."""
    return f"msg_{delivery.pk.hex}"


def body(alert: Alert) -> bytes:
    """Return what is sent of an alert, as JSON without spaces."""
    said = {
        "type": f"alert.{alert.news}",
        "timestamp": alert.told_at.isoformat().replace("+00:00", "Z"),
        "data": {
            "id": str(alert.pk),
            "news": alert.news,
            "recipient": alert.recipient.user.get_username(),
            "job_ref": alert.job.ref,
            "kind": alert.need.kind_id if alert.need else "",
            "part_ref": alert.part.ref if alert.part else "",
            "listing_ref": alert.listing.ref if alert.listing else "",
            "summary": alert.summary,
            "verdict": alert.verdict,
            "p_fit": alert.p_fit,
            "p_good": alert.p_good,
            "address": link("job", alert.job.ref),
        },
    }
    return json.dumps(said, separators=(",", ":")).encode()


def headers(
    endpoint: WebhookEndpoint, delivery: Delivery, content: bytes, *, now: datetime
) -> dict[str, str] | None:
    """Return the headers of a webhook; None when its secret cannot be made any more."""
    old_too = endpoint.old_until is not None and endpoint.old_until > now
    secrets = signing_secrets(endpoint, old_too=old_too)
    if not secrets:
        return None
    return {
        "Content-Type": "application/json",
        "User-Agent": "donor-machines",
        **signing.headers(secrets, message_id(delivery), now, content),
    }
