"""Stating and changing one's password. A change ends every other way in."""

import logging
from collections.abc import Callable
from datetime import datetime

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction
from knox.models import get_token_model

from workshop.access import tries
from workshop.errors import Conflict, InputRefused
from workshop.models import Invitation, KnownDevice, User

log = logging.getLogger("workshop.access")

TOO_MANY = "Too many wrong tries. Wait a quarter of an hour, then try again."
WRONG = "That is not your password."
CHANGED = "Your password was changed meanwhile. Sign in with the new one, then try again."

End = Callable[[User], object]
_ends: list[End] = []


def ends_with_password(end: End) -> End:
    """Register what else ends when a user's password changes: ways in kept by other apps."""
    _ends.append(end)
    return end


def confirm(*, user: User, password: str, now: datetime, field: str = "password") -> None:
    """Check the password of somebody signed in. Raises InputRefused; tries are limited."""
    purse = tries.key_of("confirm", user.pk)
    if not tries.take(purse, now=now):
        log.warning("password not confirmed", extra={"why": "too many tries", "purse": "confirm"})
        raise InputRefused(TOO_MANY, fields={field: TOO_MANY})
    if not user.check_password(password):
        log.warning("password not confirmed", extra={"why": "wrong", "purse": "confirm"})
        raise InputRefused(WRONG, fields={field: WRONG})
    tries.give_back(purse)


def change(
    *, user: User, old: str, new: str, now: datetime, here: KnownDevice | None = None
) -> None:
    """Set a new password and end every other way in. Raises InputRefused."""
    confirm(user=user, password=old, now=now, field="old")
    refuse_weak(user, new, field="new")
    put(user=user, new=new, here=here)


def end_others(
    *, user: User, password: str, now: datetime, here: KnownDevice | None = None
) -> None:
    """End every other way in and keep the password. Raises InputRefused."""
    confirm(user=user, password=password, now=now)
    put(user=user, new=password, here=here)


@transaction.atomic
def put(*, user: User, new: str, here: KnownDevice | None = None) -> None:
    """Store a password, be it the same, and end what was let in by the one before.

    That is all sessions (each carries the stored hash, which is salted anew), API tokens, known
    devices but `here`, open invitations and feeds. Who asks has looked at the password.
    """
    user.set_password(new)
    user.save(update_fields=["password"])  # the row stays locked: see hold
    get_token_model().objects.filter(user=user).delete()
    others = KnownDevice.objects.filter(user=user)
    (others if here is None else others.exclude(pk=here.pk)).delete()
    invitations = Invitation.objects.unscoped().filter(made_by__user=user, used_at__isnull=True)
    invitations.delete()
    for end in _ends:
        end(user)
    log.info("password set", extra={"user": user.pk})


def hold(user: User) -> None:
    """Keep a user's password as it is until the transaction ends.

    Asked before a way in is made, so that none is made beside a change that would have ended it.
    Raises Conflict when the password is no longer the one this request was let in by.
    """
    stored = User.objects.select_for_update(no_key=True).filter(pk=user.pk)
    if stored.values_list("password", flat=True).first() != user.password:
        raise Conflict(CHANGED)


def refuse_weak(user: User, password: str, *, field: str) -> None:
    """Raise InputRefused for a password too easily guessed."""
    try:
        validate_password(password, user)
    except ValidationError as bad:
        raise InputRefused(" ".join(bad.messages), fields={field: bad.messages[0]}) from bad
