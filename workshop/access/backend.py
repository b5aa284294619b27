"""Checking a name and password, on the site and over the API: the one place where it is done."""

import logging
from typing import Any

from django.conf import settings
from django.contrib.auth.backends import ModelBackend
from django.utils import timezone

from workshop.access import devices, tries
from workshop.domain.client_addresses import client_address
from workshop.models import User

log = logging.getLogger("workshop.access")

TOO_MANY = (
    "Too many wrong tries. Wait a quarter of an hour, then try again; or use a device you have "
    "signed in with before."
)
WRONG = "Name and password do not go together. Both mind capitals."


class LimitedBackend(ModelBackend):
    """Django's own check, of which no more than a few wrong ones are made.

    Names nobody has are counted, answered and take as long like those somebody has.
    """

    def authenticate(  # type: ignore[override]
        self, request: Any, username: str | None = None, password: str | None = None, **more: Any
    ) -> User | None:
        if username is None or password is None:
            return None
        username = username.replace("\x00", "\ufffd")  # PostgreSQL raises on NUL
        purses = purses_of(request, username)
        now = timezone.now()
        if not all(tries.take(key, now=now, most=most) for key, most in purses.items()):
            if request is not None:
                request.too_many_tries = True
            log.warning("sign-in refused", extra={"why": "too many tries"})
            return None
        user = super().authenticate(request, username=username, password=password, **more)
        if user is None:
            log.warning("sign-in refused", extra={"why": "name and password"})
            return None
        for key in purses:
            tries.give_back(key)
        return user  # type: ignore[return-value]


def purses_of(request: Any, username: str) -> dict[str, int]:
    """Return the counts a try on a name is taken from, and their limits, in order.

    A device its owner knows has a count of its own. The address comes first, so that one that is
    barred uses up nobody's tries.
    """
    if request is None:
        return {tries.key_of("name", username.casefold()): tries.MOST}
    device = devices.find_device(request)
    if device is not None and device.user.username == username:
        return {tries.key_of("device", device.pk): tries.MOST}
    address = client_address(
        request.META.get("REMOTE_ADDR", ""),
        request.META.get("HTTP_X_FORWARDED_FOR", ""),
        settings.TRUSTED_PROXIES,
    )
    return {
        tries.key_of("address", address): tries.MOST_OF_ADDRESS,
        tries.key_of("name", username.casefold()): tries.MOST,
    }
