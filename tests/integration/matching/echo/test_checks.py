"""What is said at start-up of mail that is half set up."""

from typing import Any

from matching.echo.checks import mail_is_set_up_wholly


def test_mail_that_is_half_set_up_is_warned_of_with_the_cure(settings: Any) -> None:
    assert mail_is_set_up_wholly() == []
    settings.SITE_ADDRESS = settings.DEFAULT_FROM_EMAIL = ""
    found = mail_is_set_up_wholly()
    assert [one.id for one in found] == ["matching.W001", "matching.W002"]
    assert all("such as" in (one.hint or "") for one in found)
    settings.EMAIL_BACKEND = settings.NO_MAIL
    assert mail_is_set_up_wholly() == []
