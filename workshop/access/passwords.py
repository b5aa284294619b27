"""Stating and changing one's password. A change ends every other way in."""

from datetime import datetime

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction
from knox.models import get_token_model

from workshop.access import tries
from workshop.errors import InputRefused
from workshop.models import KnownDevice, User

TOO_MANY = "Too many wrong tries. Wait a quarter of an hour, then try again."
WRONG = "That is not your password."


def confirm(*, user: User, password: str, now: datetime, field: str = "password") -> None:
    """Check the password of somebody signed in. Raises InputRefused; tries are limited."""
    purse = tries.key_of("confirm", user.pk)
    if not tries.take(purse, now=now):
        raise InputRefused(TOO_MANY, fields={field: TOO_MANY})
    if not user.check_password(password):
        raise InputRefused(WRONG, fields={field: WRONG})
    tries.give_back(purse)


def change(
    *, user: User, old: str, new: str, now: datetime, here: KnownDevice | None = None
) -> None:
    """Set a new password. Ends all sessions, API tokens and known devices but the one used now.

    Sessions end by themselves: each carries a hash of the password. Raises InputRefused.
    """
    confirm(user=user, password=old, now=now, field="old")
    refuse_weak(user, new, field="new")
    with transaction.atomic():
        user.set_password(new)
        user.save(update_fields=["password"])
        get_token_model().objects.filter(user=user).delete()
        others = KnownDevice.objects.filter(user=user)
        (others if here is None else others.exclude(pk=here.pk)).delete()


def refuse_weak(user: User, password: str, *, field: str) -> None:
    """Raise InputRefused for a password too easily guessed."""
    try:
        validate_password(password, user)
    except ValidationError as bad:
        raise InputRefused(" ".join(bad.messages), fields={field: bad.messages[0]}) from bad
