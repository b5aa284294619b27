"""One effect for a request however often it is sent: replies kept under an Idempotency-Key.

The key's row is inserted first, in the transaction of the effect. Of two requests with one key
the later waits on the unique index: when the first commits it replays the kept reply, when the
first fails it acts itself. So a client that lost a reply sends the request again and gets it.

Kept are replies of success. A refusal (4xx) or a fault (5xx) rolls the row back with whatever
was begun: nothing happened, so the same key may be tried again, corrected or not. Keys belong
to a workshop; another member of it cannot take a reply over, for who asks is part of what is
compared. Why so: docs/adr/0009. Source: draft-ietf-httpapi-idempotency-key-header.
"""

import hashlib
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.db import IntegrityError, transaction
from django.http import HttpResponse
from rest_framework.request import Request
from rest_framework.response import Response

from workshop.dispatcher import sweeps
from workshop.domain.idempotency_keys import fingerprint, key_from
from workshop.errors import Conflict, DomainError, InputRefused
from workshop.models import KeptReply, Member

HEADER = "Idempotency-Key"
KEPT_FOR = timedelta(hours=48)  # at least 24 h are promised (common practice)

Handler = Callable[..., Response]


class KeyUsedOtherwise(DomainError):
    """The key stands for another request already."""

    code = "idempotency-key-reused"
    status = 422


def once(handler: Handler, request: Request, member: Member) -> Callable[..., Any]:
    """Return the handler, made to act once for the key of this request; as it is without one."""
    header = request.headers.get(HEADER)
    if header is None:
        return handler
    key = _key(header)

    def acts_once(request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        stated = fingerprint(
            request.method or "", request.get_full_path(), member.pk, _payload(request)
        )
        with transaction.atomic():
            row = _enter(member.workshop_id, key, stated)
            if row is None:
                return _replayed(_kept(member.workshop_id, key), stated)
            answer = handler(request, *args, **kwargs)
            if answer.status_code >= 400:
                transaction.set_rollback(True)
                return answer
            _keep(row, answer, request)
        return _as_response(row)

    return acts_once


def _key(header: str) -> str:
    try:
        return key_from(header)
    except ValueError as bad:
        raise InputRefused(f"The header {HEADER} {bad}.", fields={HEADER: f"{bad}."}) from bad


def _payload(request: Request) -> Any:
    data = request.data
    if not hasattr(data, "dict"):
        return data
    return {name: _stated(value) for name, value in data.dict().items()}


def _stated(value: Any) -> Any:
    """Return what a field of a form says; of a file, the SHA-256 of its bytes."""
    if not isinstance(value, UploadedFile):
        return value
    digest = hashlib.sha256()
    for chunk in value.chunks():
        digest.update(chunk)
    value.seek(0)
    return digest.hexdigest()


def _enter(workshop_id: int, key: str, stated: str) -> KeptReply | None:
    """Insert the key's row; None when it is there. Waits while another transaction inserts it."""
    try:
        with transaction.atomic():
            row: KeptReply = KeptReply.objects.create(
                workshop_id=workshop_id, key=key, fingerprint=stated
            )
            return row
    except IntegrityError:
        return None


def _kept(workshop_id: int, key: str) -> KeptReply:
    row = KeptReply.of(workshop_id).filter(key=key).first()
    if row is None:  # the sweep took it away in this very moment
        raise Conflict(f"The reply kept under {key} has just expired. Send the request again.")
    return row


def _replayed(row: KeptReply, stated: str) -> HttpResponse:
    if row.fingerprint != stated:
        raise KeyUsedOtherwise(
            f"The {HEADER} {row.key} was sent before with another request. "
            "Use a new key for a new request; repeat a request unchanged to get its reply.",
            fields={HEADER: "Used before for another request."},
        )
    return _as_response(row)


def _keep(row: KeptReply, answer: Response, request: Request) -> None:
    """Store the reply as the bytes that are sent, so that a repeat is equal to the last one."""
    renderer = request.accepted_renderer
    body: bytes = b"" if answer.data is None else renderer.render(answer.data)  # type: ignore[assignment]
    row.status, row.body = answer.status_code, body.decode()
    row.content_type = renderer.media_type
    row.save(update_fields=["status", "body", "content_type"])


def _as_response(row: KeptReply) -> HttpResponse:
    return HttpResponse(row.body, status=row.status, content_type=row.content_type)


@sweeps
def forget_expired(now: datetime) -> int:
    """Remove replies kept longer than KEPT_FOR. Returns how many."""
    gone, _ = KeptReply.objects.unscoped().filter(kept_at__lt=now - KEPT_FOR).delete()
    return int(gone)
