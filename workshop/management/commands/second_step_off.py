"""manage.py second_step_off NAME: let somebody in who lost the app and the recovery codes."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from workshop.access import second_step
from workshop.models import User


class Command(BaseCommand):
    help = "Turn somebody's second step off. Make sure first that it is them who asks."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="the name they sign in with")

    def handle(self, *args: Any, name: str, **options: Any) -> None:
        user = User.objects.filter(username=User.normalize_username(name)).first()
        if user is None:
            raise CommandError(f"Nobody signs in as {name!r}.")
        second_step.turn_off(user=user)
        self.stdout.write(f"The second step of {name} is off: name and password are enough.")
