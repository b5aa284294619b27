"""manage.py backup FOLDER [--with-secrets]: rows and files, whole, while the service runs."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from workshop.backup.backing_up import back_up
from workshop.errors import DomainError

KEY_OUT = (
    "Not in it: secret.key and SECRET_KEY. Keep the key apart; without it people sign in anew and "
    "whatever is encrypted with it cannot be read."
)


class Command(BaseCommand):
    help = "Write the database and its files into a new folder, with checksums."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path, help="must not exist yet")
        parser.add_argument(
            "--with-secrets", action="store_true", help="secret.key too: guard such a backup"
        )

    def handle(self, *args: Any, folder: Path, with_secrets: bool, **options: Any) -> None:
        try:
            made = back_up(folder, now=timezone.now(), with_secrets=with_secrets)
        except (DomainError, OSError) as refused:
            raise CommandError(str(refused)) from refused
        size = sum(file[0] for file in made.files.values())
        self.stdout.write(f"{folder}: {len(made.files)} files, {size / 1e6:.1f} MB, {made.engine}.")
        self.stdout.write("secret.key is in it: guard it." if made.secrets else KEY_OUT)
