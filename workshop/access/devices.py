"""Browsers people signed in with before, known by a signed cookie that lasts a year.

A browser has one random token, whoever signs in with it: a computer on the bench is everybody's.
Each of them has a row of their own for it, and tries of their own.
"""

from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.http import HttpResponse

from workshop.dispatcher import sweeps
from workshop.errors import NotFound
from workshop.models import KnownDevice, User
from workshop.secret_tokens import new_token, token_hash

SALT = "known device"
KEPT_FOR = timedelta(days=365)
MOST = 20  # of one person; the one used longest ago goes


def find_device(request: Any, username: str) -> KnownDevice | None:
    """Return the device a request comes from if this user signed in with it before."""
    token = _token_of(request)
    if not token:
        return None
    rows = KnownDevice.objects.filter(token_hash=token_hash(token), user__username=username)
    return rows.first()


def _token_of(request: Any) -> str:
    token: str = request.get_signed_cookie(
        settings.DEVICE_COOKIE_NAME, default="", salt=SALT, max_age=KEPT_FOR
    )
    return token


def remember(request: Any, answer: HttpResponse, user: User, *, now: datetime) -> None:
    """Note that somebody signed in with this browser, and give it its cookie for another year."""
    token = _token_of(request) or new_token()[0]
    first = {"kind": kind_of(request.headers.get("User-Agent", "")), "made_at": now}
    KnownDevice.objects.update_or_create(
        user=user,
        token_hash=token_hash(token),
        defaults={"used_at": now},
        create_defaults={**first, "used_at": now},
    )
    old = KnownDevice.objects.filter(user=user).values_list("pk", flat=True)[MOST:]
    KnownDevice.objects.filter(pk__in=list(old)).delete()
    answer.set_signed_cookie(
        settings.DEVICE_COOKIE_NAME,
        token,
        salt=SALT,
        max_age=KEPT_FOR,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )


def kind_of(agent: str) -> str:
    """Return in a word what a browser says it runs on."""
    hand_held = any(word in agent for word in ("Mobile", "Android", "iPad", "iPhone"))
    return "phone or tablet" if hand_held else "computer"


def forget_device(*, user: User, device_id: int) -> None:
    """Forget one device of a user. Raises NotFound."""
    gone, _ = KnownDevice.objects.filter(user=user, pk=device_id).delete()
    if not gone:
        raise NotFound("You have no such device. It may have been forgotten already.")


@sweeps
def forget_old(now: datetime) -> int:
    """Remove devices whose cookie has ended. Returns how many."""
    gone, _ = KnownDevice.objects.filter(used_at__lt=now - KEPT_FOR).delete()
    return int(gone)
