"""What commands about one person share: the argument, and who is meant."""

from django.core.management.base import CommandError, CommandParser

from workshop.models import User


def add_name(parser: CommandParser) -> None:
    parser.add_argument("name", help="the name they sign in with")


def user_named(name: str) -> User:
    """Return who signs in by this name, as the sign-in page reads it. Raises CommandError."""
    user: User | None = User.objects.filter(username=User.normalize_username(name)).first()
    if user is None:
        raise CommandError(f"Nobody signs in as {name!r}.")
    return user
