"""Who works in a workshop: roles, leaving, and invitations to join by a link used once."""

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.http import HttpRequest
from django.urls import reverse
from knox.models import get_token_model

from workshop.access import passwords
from workshop.dispatcher import sweeps
from workshop.errors import Conflict, InputRefused, NotAllowed, NotFound
from workshop.members import find_member
from workshop.models import ApiToken, Invitation, Member, Role, User, Workshop
from workshop.secret_tokens import new_token, token_hash

log = logging.getLogger("workshop.access")

LASTS_DAYS, MOST_DAYS = 7, 30
MOST_OPEN = 50
KEPT_FOR = timedelta(days=90)  # an invitation that ended unused

GONE = (
    "This invitation does not work: it was used, taken back or has ended. Ask the owner of the "
    "workshop for another."
)
SHUT_OUT = "You were shut out of {}. Its owner lets you in again on the page People."
ON_THE_PAGE = "An owner is made on the page People only, by an owner who states their password."


@transaction.atomic
def change(
    *,
    workshop: Workshop,
    member_id: int,
    role: str | None = None,
    active: bool | None = None,
    by: Member | None = None,
) -> Member:
    """Give a member another role, shut them out from their next request on, or let them in again.

    The API tokens of whoever is shut out end. Raises InputRefused, NotFound; Conflict when the
    workshop would be left without an owner.
    """
    lock(workshop)
    found = find_member(workshop, member_id)
    if role is not None and role not in Role.values:
        words = f"Choose one of: {', '.join(Role.values)}."
        raise InputRefused(words, fields={"role": words})
    if active is False or role not in {None, Role.OWNER}:
        refuse_last_owner(found)
    if active is False:
        tokens = ApiToken.of(workshop).filter(member=found).values("token")
        get_token_model().objects.filter(pk__in=tokens).delete()
    found.role = found.role if role is None else role
    found.active = found.active if active is None else active
    found.save(update_fields=["role", "active"])
    said = {"member": found.pk, "by": by.pk if by is not None else "-"}
    log.info("member changed", extra={**said, "role": found.role, "active": found.active})
    return found


def makes_owner(
    *, workshop: Workshop, member_id: int, role: str | None = None, active: bool | None = None
) -> bool:
    """Whether a change gives somebody an owner's way in they have not now. Raises NotFound.

    It would outlive whoever gave it, so that a session or a token alone must not do it.
    """
    now = find_member(workshop, member_id)
    will_be = (role or now.role, now.active if active is None else active)
    return will_be == (Role.OWNER, True) and (now.role, now.active) != (Role.OWNER, True)


def lock(workshop: Workshop) -> Workshop:
    """Lock a workshop's people, so that two owners cannot each take the other to stay."""
    found: Workshop = Workshop.objects.select_for_update(no_key=True).get(pk=workshop.pk)
    return found


def refuse_last_owner(member: Member) -> None:
    """Raise Conflict when the workshop would be left without an owner; the caller holds `lock`."""
    if member.role != Role.OWNER or not member.active:
        return
    owners = Member.of(member.workshop_id).filter(role=Role.OWNER, active=True)
    if not owners.exclude(pk=member.pk).exists():
        raise Conflict(f"{member} is the last owner. Make somebody else an owner first.")


@transaction.atomic
def invite(
    *, member: Member, role: str, note: str, now: datetime, days: int = LASTS_DAYS
) -> tuple[Invitation, str]:
    """Make an invitation. Returns its row and the secret of its link, which is shown once.

    Raises InputRefused by field, Conflict when too many stand open.
    """
    refused = {}
    if role not in Role.values:
        refused["role"] = f"Choose one of: {', '.join(Role.values)}."
    if not 1 <= days <= MOST_DAYS:
        refused["days"] = f"An invitation lasts 1 to {MOST_DAYS} days."
    if refused:
        raise InputRefused(" ".join(refused.values()), fields=refused)
    passwords.hold(member.user)
    if list_open(member.workshop, now=now).count() >= MOST_OPEN:
        raise Conflict(f"{MOST_OPEN} invitations stand open. Take some back first.")
    token, kept = new_token()
    row: Invitation = Invitation.objects.create(
        workshop=member.workshop,
        token_hash=kept,
        role=role,
        note=note.strip(),
        made_by=member,
        made_at=now,
        expires_at=now + timedelta(days=days),
    )
    said = {"by": member.pk, "role": role}
    log.info("invitation made", extra=said)
    return row, token


def address_of(token: str, request: HttpRequest) -> str:
    """Return an invitation's link: on the site's own address where that is set."""
    here = reverse("join", args=[token])
    site = settings.SITE_ADDRESS
    return f"{site}{here}" if site else str(request.build_absolute_uri(here))


def list_open(workshop: Workshop, *, now: datetime) -> "QuerySet[Invitation]":
    """Return the invitations that may still be used, the newest first."""
    rows = Invitation.of(workshop).filter(used_at__isnull=True, expires_at__gt=now)
    return rows.select_related("made_by__user").order_by("-made_at", "-id")


def withdraw(*, workshop: Workshop, invitation_id: int) -> None:
    """Take an invitation back before it is used. Raises NotFound."""
    rows = Invitation.of(workshop).filter(pk=invitation_id, used_at__isnull=True)
    gone, _ = rows.delete()
    if not gone:
        raise NotFound("There is no such invitation, or it was used already.")


def find_invitation(token: str, *, now: datetime) -> Invitation:
    """Return the open invitation of a link. Raises NotFound, with the same words for all."""
    rows = Invitation.objects.unscoped().filter(token_hash=token_hash(token))
    rows = rows.filter(used_at__isnull=True, expires_at__gt=now)
    rows = rows.filter(made_by__active=True, made_by__role=Role.OWNER)
    found: Invitation | None = rows.select_related("workshop").first()
    if found is None:
        raise NotFound(GONE)
    return found


@dataclass(frozen=True)
class NewName:
    """What somebody new wants to sign in with."""

    username: str
    password: str


@transaction.atomic
def join(*, token: str, who: User | NewName, now: datetime) -> Member:
    """Use an invitation up and make its user a member. Raises NotFound, InputRefused, Conflict.

    Somebody shut out stays so until an owner lets them in by name.
    """
    workshop = lock(find_invitation(token, now=now).workshop)
    found = find_invitation(token, now=now)  # who made it may have been shut out meanwhile
    user = who if isinstance(who, User) else _new_user(who)
    member = Member.of(workshop).filter(user=user).first()
    if member is not None and member.active:
        raise Conflict(f"You work in {workshop} already. The invitation stays for somebody else.")
    if member is not None:
        raise NotAllowed(SHUT_OUT.format(workshop))
    member = Member.objects.create(workshop=workshop, user=user, role=found.role)
    rows = Invitation.of(workshop).filter(pk=found.pk, used_at__isnull=True, expires_at__gt=now)
    if not rows.update(used_at=now, used_by=member):
        raise NotFound(GONE)  # somebody else was first: nobody is made a member by this one
    log.info("member joined", extra={"member": member.pk, "role": member.role})
    return member


def _new_user(name: NewName) -> User:
    user = User(username=User.normalize_username(name.username.strip()))
    try:
        UnicodeUsernameValidator()(user.username)
    except ValidationError as bad:
        raise InputRefused(bad.messages[0], fields={"username": bad.messages[0]}) from bad
    passwords.refuse_weak(user, name.password, field="password")
    user.set_password(name.password)
    try:
        with transaction.atomic():
            user.save()
    except IntegrityError:
        words = "Somebody signs in with this name already. Choose another."
        raise Conflict(words, fields={"username": words}) from None
    return user


@sweeps
def forget_old(now: datetime) -> int:
    """Remove invitations that ended unused long ago. Returns how many."""
    rows = Invitation.objects.unscoped()
    gone, _ = rows.filter(used_at__isnull=True, expires_at__lt=now - KEPT_FOR).delete()
    return int(gone)
