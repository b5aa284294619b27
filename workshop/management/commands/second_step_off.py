"""manage.py second_step_off NAME: let somebody in who lost the app and the recovery codes."""

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from workshop.access import second_step
from workshop.management import named


class Command(BaseCommand):
    help = "Turn somebody's second step off. Make sure first that it is them who asks."

    def add_arguments(self, parser: CommandParser) -> None:
        named.add_name(parser)

    def handle(self, *args: Any, name: str, **options: Any) -> None:
        user = named.user_named(name)
        second_step.turn_off(user=user)
        self.stdout.write(f"The second step of {name} is off: name and password are enough.")
