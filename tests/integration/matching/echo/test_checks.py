"""What is said at start-up of mail that is half set up."""

from typing import Any

import pytest

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
