"""What is said at start-up of mail that is half set up."""

import io
from typing import Any

import pytest
from django.core.management.sql import emit_post_migrate_signal
from django.db.migrations import Migration

from matching.echo.checks import mail_is_set_up_wholly, mail_waits_for_nobody
from matching.echo.choices import Choices
from matching.models import EchoSettings
from tests.factories import Bench
from tests.integration.matching.echo.conftest import confirmed


def test_mail_that_is_half_set_up_is_warned_of_with_the_cure(settings: Any) -> None:
    assert mail_is_set_up_wholly() == []
    settings.SITE_ADDRESS = settings.DEFAULT_FROM_EMAIL = ""
    found = mail_is_set_up_wholly()
    assert [one.id for one in found] == ["matching.W001", "matching.W002"]
    assert all("such as" in (one.hint or "") for one in found)
    settings.EMAIL_BACKEND = settings.NO_MAIL
    assert mail_is_set_up_wholly() == []


@pytest.mark.django_db
def test_whoever_migrates_is_told_whose_mail_stands_still(bench: Bench, settings: Any) -> None:
    chosen = Choices(mail_on=True, address="a@b.example")
    confirmed(bench.technician, chosen)
    assert mail_waits_for_nobody(databases=["default"]) == []
    EchoSettings.of(bench.workshop).update(confirmed="")  # as an update leaves older choices
    (warned,) = mail_waits_for_nobody(databases=["default"])
    assert warned.id == "matching.W003"
    assert "none: 1." in warned.msg
    assert mail_waits_for_nobody(databases=None) == []
    settings.EMAIL_BACKEND = settings.NO_MAIL
    assert mail_waits_for_nobody(databases=["default"]) == []


@pytest.mark.django_db
def test_an_update_that_leaves_them_waiting_says_so_at_its_end(bench: Bench, settings: Any) -> None:
    """Its checks ran before: what a migration changed is seen by what runs after it alone."""
    confirmed(bench.technician, Choices(mail_on=True, address="a@b.example"))
    EchoSettings.of(bench.workshop).update(confirmed="")
    step = (Migration("a_step", "matching"), False)

    def said(plan: list[Any], verbosity: int = 1) -> str:
        out = io.StringIO()
        emit_post_migrate_signal(verbosity, False, "default", stdout=out, plan=plan)
        return out.getvalue()

    assert "Members who chose mail and get none: 1." in said([step])
    assert "confirms it there" in said([step])
    assert said([]) == ""  # nothing changed: the check has said it
    assert "chose mail" not in said([step], verbosity=0)
