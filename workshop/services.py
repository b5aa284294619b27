"""Writes on workshops and their members."""

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from workshop.access import people
from workshop.domain.refusals import Checks
from workshop.errors import InputRefused
from workshop.models import Member, Role, User, Workshop


@transaction.atomic
def add_member(*, workshop: Workshop, username: str, role: Role, password: str = "") -> Member:
    """Give someone a role in a workshop; a new name needs a password.

    Someone who is a member already gets the role, and is active again.
    Raises InputRefused for a weak or missing password, Conflict for the last owner made less.
    """
    people.lock(workshop)
    username = User.normalize_username(username)
    user = User.objects.filter(username=username).first()
    if user is None:
        user = User(username=username)
        try:
            user.full_clean(exclude=["password"])
            validate_password(password, user)
        except ValidationError as bad:
            raise InputRefused(
                f"{username}: {' '.join(bad.messages)}", fields={"password": bad.messages[0]}
            ) from bad
        user.set_password(password)
        user.save()
    known = Member.of(workshop).filter(user=user).first()
    if known is not None and role != Role.OWNER:
        people.refuse_last_owner(known)
    member, _ = Member.of(workshop).update_or_create(
        user=user, defaults={"workshop": workshop, "role": role, "active": True}
    )
    found: Member = member
    return found


@transaction.atomic
def set_strip_rate(*, workshop: Workshop, rate_per_min: float) -> None:
    """Set what a minute of stripping costs. Raises InputRefused for what cannot be."""
    bad = Checks()
    bad.number("rate_per_min", rate_per_min, "a minute", least=0, most=1000)
    if bad.fields:
        raise InputRefused(f"What a minute costs: {bad.fields['rate_per_min']}.", fields=bad.fields)
    workshop.strip_rate_per_min = rate_per_min
    workshop.save(update_fields=["strip_rate_per_min"])
