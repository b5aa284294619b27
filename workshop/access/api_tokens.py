"""API tokens: of one member in one workshop, scoped, with an end, kept as a hash (by knox)."""

import logging
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone
from knox.auth import TokenAuthentication
from knox.models import get_token_model
from rest_framework.exceptions import AuthenticationFailed, PermissionDenied
from rest_framework.permissions import SAFE_METHODS
from rest_framework.request import Request

from workshop.access import passwords
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.members import covers
from workshop.models import ApiToken, Member, Role, Scope

log = logging.getLogger("workshop.access")

SIGN_IN_HOURS = 10
MOST_DAYS = 366
MOST = 30  # of one member at once
SIGNED_IN = "signed in"  # the name of one nobody named: made by a program at each start
ENDS_ITSELF = "api-token-end"  # the one unsafe request a token that only reads may make


class ScopedToken(TokenAuthentication):
    """Signs in by a token and holds it to its scope, its workshop and its member."""

    def authenticate(self, request: Request) -> tuple[Any, Any] | None:
        found = super().authenticate(request)
        if found is None:
            return None
        user, row = found
        facts = ApiToken.objects.unscoped().filter(token=row)
        token = facts.select_related("member__workshop", "member__user").first()
        if token is None or not token.member.active:
            raise AuthenticationFailed("This token has ended.")
        if token.scope == Scope.READ and not _may_read_only(request):
            raise PermissionDenied("This token may only read. Make one that may write.")
        _note_use(token, timezone.now())
        request.api_token = token  # type: ignore[attr-defined]
        return user, row


def _may_read_only(request: Request) -> bool:
    match = request.resolver_match
    return request.method in SAFE_METHODS or bool(match and match.url_name == ENDS_ITSELF)


def _note_use(token: ApiToken, now: datetime) -> None:
    """Note the hour in which a token is used: one small write an hour, however busy it is."""
    hour = now.replace(minute=0, second=0, microsecond=0)
    if token.used_at is None or token.used_at < hour:
        rows = ApiToken.of(token.workshop_id).filter(pk=token.pk)
        rows.filter(Q(used_at__isnull=True) | Q(used_at__lt=hour)).update(used_at=hour)


@transaction.atomic
def make_token(
    *,
    member: Member,
    name: str,
    scope: str,
    now: datetime,
    lasts: timedelta = timedelta(hours=SIGN_IN_HOURS),
) -> tuple[ApiToken, str]:
    """Give a member a token. Returns its row and the token, which cannot be shown again.

    Raises InputRefused by field, Conflict when the member has too many.
    """
    refused = {}
    if not name.strip():
        refused["name"] = "Say what the token is for."
    if scope not in Scope.values:
        refused["scope"] = f"Choose one of: {', '.join(Scope.values)}."
    if not timedelta(0) < lasts <= timedelta(days=MOST_DAYS):
        refused["days"] = f"A token lasts 1 to {MOST_DAYS} days."
    if refused:
        raise InputRefused(" ".join(refused.values()), fields=refused)
    passwords.hold(member.user)
    _make_room(member, now)
    row, token = get_token_model().objects.create(user=member.user, expiry=lasts)
    facts = ApiToken.objects.create(
        workshop=member.workshop,
        token=row,
        member=member,
        name=name.strip(),
        scope=scope,
        made_at=now,
    )
    said = {"member": member.pk, "scope": scope, "token_id": facts.pk}
    log.info("API token made", extra=said)
    return facts, token


def _make_room(member: Member, now: datetime) -> None:
    """End the oldest token that nobody named when there are too many. Raises Conflict."""
    mine = list_tokens(member.workshop, now=now).filter(member=member)
    if mine.count() < MOST:
        return
    oldest = mine.filter(name=SIGNED_IN).last()
    if oldest is None:
        raise Conflict(f"You have {MOST} tokens already. End one you no longer use.")
    oldest.token.delete()


def list_tokens(workshop: Any, *, now: datetime) -> "QuerySet[ApiToken]":
    """Return the tokens of a workshop's members that have not ended, the newest first."""
    rows = ApiToken.of(workshop).filter(token__expiry__gt=now)
    return rows.select_related("token", "member__user").order_by("-made_at", "-id")


def tokens_shown_to(member: Member, *, now: datetime) -> "QuerySet[ApiToken]":
    """Return a member's own tokens; to the owner everybody's."""
    rows = list_tokens(member.workshop, now=now)
    return rows if covers(member, Role.OWNER) else rows.filter(member=member)


def end_token(*, member: Member, token_id: int, now: datetime) -> None:
    """End a token of one's own; the owner ends anybody's. Raises NotFound."""
    facts = tokens_shown_to(member, now=now).filter(pk=token_id).first()
    if facts is None:
        raise NotFound("There is no such token here. It may have ended already.")
    facts.token.delete()
