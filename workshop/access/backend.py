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
        username = User.normalize_username(username)  # as names are stored: one count for each
        purses = purses_of(request, username)
        now = timezone.now()
        empty = tries.take_all(purses, now=now)
        if empty:
            if request is not None:
                request.too_many_tries = True
            _say_refused("too many tries", empty)
            return None
        user = super().authenticate(request, username=username, password=password, **more)
        if user is None:
            _say_refused("name and password", purses[-1].kind)
            return None
        for purse in purses:
            tries.give_back(purse.key)
        return user  # type: ignore[return-value]


def _say_refused(why: str, purse: str) -> None:
    log.warning("sign-in refused: %s (%s)", why, purse, extra={"why": why, "purse": purse})


def purses_of(request: Any, username: str) -> list[tries.Purse]:
    """Return the counts a try on a name is taken from, in order.

    A device its owner knows has a count of its own. The address comes first, so that one that is
    barred uses up nobody's tries.
    """
    if request is None:
        return [tries.purse_of("name", username.casefold())]
    device = devices.find_device(request, username)
    if device is not None:
        return [tries.purse_of("device", device.pk)]
    address = client_address(
        request.META.get("REMOTE_ADDR", ""),
        request.META.get("HTTP_X_FORWARDED_FOR", ""),
        settings.TRUSTED_PROXIES,
    )
    return [
        tries.purse_of("address", address, tries.MOST_OF_ADDRESS),
        tries.purse_of("name", username.casefold()),
    ]
