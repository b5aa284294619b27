"""manage.py changepassword NAME: set somebody's password and end all that the old one let in.

It has the name of Django's own command and stands in its place: that one leaves API tokens, known
devices and invitations alive.
"""

import getpass
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from workshop.access import passwords
from workshop.errors import InputRefused
from workshop.management import named
from workshop.models import User

TRIES = 3


class Command(BaseCommand):
    help = "Set somebody's password. Ends their sessions, API tokens, devices and invitations."

    def add_arguments(self, parser: CommandParser) -> None:
        named.add_name(parser)

    def handle(self, *args: Any, name: str, **options: Any) -> None:
        user = named.user_named(name)
        passwords.put(user=user, new=self._ask(user))
        self.stdout.write(f"The password of {name} is set; all they were signed in with has ended.")

    def _ask(self, user: User) -> str:
        for _ in range(TRIES):
            first = getpass.getpass("New password: ")
            try:
                passwords.refuse_weak(user, first, field="password")
            except InputRefused as weak:
                self.stderr.write(weak.message)
                continue
            if first == getpass.getpass("Again: "):
                return first
            self.stderr.write("The two differ.")
        raise CommandError("No password was set.")
