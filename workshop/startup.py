"""Checks a server makes before it answers anyone."""

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

from workshop.models import User

DEMO_PASSWORD = "try-me-on-a-bench"


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
