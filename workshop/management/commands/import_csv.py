"""manage.py import_csv KIND FILE [--workshop SLUG] [--dry-run]"""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction
from django.utils import timezone

from workshop import dispatcher
from workshop.choosing import choose_workshop
from workshop.errors import DomainError
from workshop.exchange import sheets


class Command(BaseCommand):
    help = "Import an exchange file: all of it or nothing. The same file twice adds nothing."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("kind", help=f"one of: {', '.join(sheets.kinds())}")
        parser.add_argument("file", type=Path)
        parser.add_argument("--workshop", default="", help="slug; not needed when there is one")
        parser.add_argument("--dry-run", action="store_true", help="check only, keep nothing")

    def handle(self, *args: Any, kind: str, file: Path, **options: Any) -> None:
        try:
            with transaction.atomic():  # a refused file leaves no workshop behind
                workshop, made = choose_workshop(options["workshop"], create=not options["dry_run"])
                done = sheets.import_file(
                    kind, file, workshop=workshop, at=timezone.now(), dry_run=options["dry_run"]
                )
        except DomainError as refused:
            raise CommandError(refused.message) from refused
        if made:
            self.stdout.write(f"Made the first workshop: {workshop.slug}.")
        if options["dry_run"]:
            self.stdout.write(f"{file.name}: dry run, nothing kept. {done}")
            return
        self.stdout.write(f"{file.name}: {done}")
        news = dispatcher.drain()
        if news.handled or news.failed:
            self.stdout.write(f"Matched: {news.handled} events handled, {news.failed} to retry.")
