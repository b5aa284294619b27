"""Who works in a workshop: roles, leaving, and invitations to join by a link used once."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.urls import reverse
from knox.models import get_token_model

from workshop.access import passwords
from workshop.dispatcher import sweeps
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.members import find_member
from workshop.models import ApiToken, Invitation, Member, Role, User, Workshop
from workshop.secret_tokens import new_token, token_hash

LASTS_DAYS, MOST_DAYS = 7, 30
MOST_OPEN = 50
KEPT_FOR = timedelta(days=90)  # an invitation that ended unused

GONE = (
    "This invitation does not work: it was used, taken back or has ended. Ask the owner of the "
    "workshop for another."
)


@transaction.atomic
def change(
    *, workshop: Workshop, member_id: int, role: str | None = None, active: bool | None = None
) -> Member:
    """Give a member another role, shut them out from their next request on, or let them in again.

    The API tokens of whoever is shut out end. Raises InputRefused, NotFound; Conflict when the
    workshop would be left without an owner.
    """
    # Locked, so that two owners cannot each take the other for the one that stays.
    Workshop.objects.select_for_update(no_key=True).get(pk=workshop.pk)
    found = find_member(workshop, member_id)
    if role is not None and role not in Role.values:
        words = f"Choose one of: {', '.join(Role.values)}."
        raise InputRefused(words, fields={"role": words})
    if active is False or role not in {None, Role.OWNER}:
        _refuse_last_owner(found)
    if active is False:
        tokens = ApiToken.of(workshop).filter(member=found).values("token")
        get_token_model().objects.filter(pk__in=tokens).delete()
    found.role = found.role if role is None else role
    found.active = found.active if active is None else active
    found.save(update_fields=["role", "active"])
    return found


def _refuse_last_owner(member: Member) -> None:
    if member.role != Role.OWNER or not member.active:
        return
    owners = Member.of(member.workshop_id).filter(role=Role.OWNER, active=True)
    if not owners.exclude(pk=member.pk).exists():
        raise Conflict(f"{member} is the last owner. Make somebody else an owner first.")


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
    return row, token


def address_of(token: str) -> str:
    """Return the path of an invitation's link."""
    return reverse("join", args=[token])


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

    Somebody shut out before comes back in; nobody's role is made less by an invitation.
    """
    found = find_invitation(token, now=now)
    workshop = Workshop.objects.select_for_update(no_key=True).get(pk=found.workshop_id)
    user = who if isinstance(who, User) else _new_user(who)
    member = Member.of(workshop).filter(user=user).first()
    if member is not None and member.active:
        raise Conflict(f"You work in {workshop} already. The invitation stays for somebody else.")
    if member is None:
        member = Member.objects.create(workshop=workshop, user=user, role=found.role)
    else:
        member.role, member.active = found.role, True
        member.save(update_fields=["role", "active"])
    rows = Invitation.of(workshop).filter(pk=found.pk, used_at__isnull=True, expires_at__gt=now)
    if not rows.update(used_at=now, used_by=member):
        raise NotFound(GONE)  # somebody else was first: nobody is made a member by this one
    return member


def _new_user(name: NewName) -> User:
    user = User(username=name.username.strip())
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
