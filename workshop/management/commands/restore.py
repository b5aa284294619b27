"""manage.py restore FOLDER [--replace] [--with-secrets]: a backup put in place, whole."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from workshop.backup.restoring import restore
from workshop.errors import DomainError

WITHOUT_KEY = (
    "The secret key is not part of it. Unless this server has the one of then, everybody signs in "
    "anew, codes of the second step cannot be checked (recovery codes can; manage.py "
    "second_step_off NAME turns it off), and links in mails and webhooks' signatures fail."
)
BACK_AGAIN = (
    "What was ended since then is back: API tokens and feeds, invitations that were used, people "
    "shut out, passwords changed, customers erased. Look at the page People, and erase again who "
    "asked for it."
)


class Command(BaseCommand):
    help = "Put a backup in the place of an empty database and DATA_DIR; all of it or nothing."
    requires_system_checks: list[str] = []  # noqa: RUF012  (it is what mends a cut-off restore)

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path)
        parser.add_argument("--replace", action="store_true", help="lose what is here now")
        parser.add_argument("--with-secrets", action="store_true", help="the secret.key too")

    def handle(
        self, *args: Any, folder: Path, replace: bool, with_secrets: bool, **options: Any
    ) -> None:
        try:
            found = restore(folder, now=timezone.now(), replace=replace, with_secrets=with_secrets)
        except (DomainError, OSError) as refused:
            raise CommandError(str(refused)) from refused
        self.stdout.write(f"Restored what was backed up at {found.made_at}.")
        if not with_secrets:
            self.stdout.write(WITHOUT_KEY)
        self.stdout.write(BACK_AGAIN)
        self.stdout.write("Now run manage.py migrate, then start the service.")
