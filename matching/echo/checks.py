"""Checks at start-up: mail that is half set up sends nothing, and says so before anybody waits."""

import sys
from typing import Any

from django.conf import settings as site
from django.core import checks
from django.db import DatabaseError


def mail_is_set_up_wholly(**_: Any) -> list[checks.CheckMessage]:
    """Warn where a mail server is named but not all a mail needs."""
    if site.EMAIL_BACKEND == site.NO_MAIL:
        return []
    wanted = {"SITE_ADDRESS": site.SITE_ADDRESS, "EMAIL_FROM": site.DEFAULT_FROM_EMAIL}
    cures = {
        "SITE_ADDRESS": "Set it to where people reach this site, such as https://bench.example.",
        "EMAIL_FROM": "Set it to the address mails come from, such as bench@bench.example.",
    }
    return [
        checks.Warning(
            f"A mail server is named, but {name} is not set: no alert is mailed.",
            hint=cures[name],
            id=f"matching.W00{number}",
        )
        for number, (name, value) in enumerate(wanted.items(), start=1)
        if not value
    ]


def mail_waits_for_nobody(**asked: Any) -> list[checks.CheckMessage]:
    """Warn of members who chose mail and get none: an update may have asked for more of them.

    Asks the database, so it runs with `check --database default`, and with `migrate` before any
    table changes; what an update leaves is said after it (say_who_waits).
    """
    from matching.echo.choices import count_waiting, mail_is_set_up

    if not asked.get("databases") or not mail_is_set_up():
        return []
    try:
        waiting = count_waiting()
    except DatabaseError:  # before its tables are there, or up to date
        return []
    if not waiting:
        return []
    return [
        checks.Warning(
            f"Members who chose mail and get none: {waiting}. Their address is not confirmed.",
            hint="Each sees it on the first page and in the inbox, and confirms it there.",
            id="matching.W003",
        )
    ]


def say_who_waits(*, using: str, verbosity: int = 1, plan: Any = (), **sent: Any) -> None:
    """Print the same warning once `migrate` changed something: its checks ran before that."""
    if not plan or verbosity < 1:
        return
    for warning in mail_waits_for_nobody(databases=[using]):
        print(f"{warning.msg}\n  {warning.hint}", file=sent.get("stdout") or sys.stdout)
