"""manage.py add_member NAME --role ROLE [--workshop SLUG]: give someone a sign-in and a role."""

from getpass import getpass
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser

from workshop.choosing import choose_workshop
from workshop.errors import DomainError
from workshop.models import Role, User
from workshop.services import add_member


class Command(BaseCommand):
    help = "Give someone a sign-in and a role in a workshop; makes the first workshop if need be."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="the name they sign in with")
        parser.add_argument("--role", choices=Role.values, default=Role.TECHNICIAN)
        parser.add_argument("--workshop", default="", help="slug; not needed when there is one")
        parser.add_argument("--password", default="", help="asked for when left out")

    def handle(self, *args: Any, name: str, role: str, **options: Any) -> None:
        known = User.objects.filter(username=name).exists()
        password = "" if known else options["password"] or self._ask()
        try:
            workshop, _ = choose_workshop(options["workshop"], create=True)
            member = add_member(
                workshop=workshop, username=name, role=Role(role), password=password
            )
        except DomainError as refused:
            raise CommandError(refused.message) from refused
        self.stdout.write(f"{name} is {member.get_role_display()} in {workshop.slug}.")

    def _ask(self) -> str:
        while True:
            first = getpass("Password: ")
            try:
                validate_password(first)
            except ValidationError as weak:
                self.stderr.write(" ".join(weak.messages))
                continue
            if first == getpass("Again: "):
                return first
            self.stderr.write("The two differ.")
