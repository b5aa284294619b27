"""Checks a server makes before it answers anyone."""

from django.conf import settings
from django.core import checks
from django.core.exceptions import ImproperlyConfigured

from workshop.models import User

DEMO_PASSWORD = "try-me-on-a-bench"
OPERATE = "operate"  # the tag of the checks that a server or worker may not start without


def demo_accounts() -> list[str]:
    """Return the names of active users who can sign in with the demo password."""
    members = User.objects.filter(is_active=True, memberships__workshop__is_demo=True).distinct()
    return sorted(user.username for user in members if user.check_password(DEMO_PASSWORD))


def refuse_demo_accounts_in_production() -> None:
    """Raise ImproperlyConfigured when a production server still has demo sign-ins."""
    if not settings.PRODUCTION:
        return
    found = demo_accounts()
    if found:
        raise ImproperlyConfigured(
            f"Demo sign-ins with the published password are active: {', '.join(found)}. "
            "Start with an empty database, or change their passwords (manage.py changepassword)."
        )


def refuse_bad_settings() -> None:
    """Raise ImproperlyConfigured with every fault and its cure (config/checks.py).

    For entries that Django runs no checks for: the web server's and the worker's.
    """
    found = checks.run_checks(tags=[OPERATE], databases=["default"])
    faults = [one for one in found if one.is_serious()]
    if faults:
        raise ImproperlyConfigured(
            "\n".join(f"{one.id}: {one.msg} {one.hint or ''}".strip() for one in faults)
        )
