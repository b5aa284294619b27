"""manage.py import_listings FILE --workshop SLUG [--kind auto|text|feed|csv|email] [--dry-run]"""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from donors.listings.importing import LARGEST_FILE, Kind, import_file
from workshop.errors import DomainError
from workshop.models import Workshop


class Command(BaseCommand):
    help = (
        "Store the listings of a saved feed, CSV file, e-mail or text: all of them or, on a "
        "fault, none. Nothing is fetched. The dispatcher matches them afterwards."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--workshop", required=True, help="slug")
        parser.add_argument("--kind", choices=list(Kind), default=Kind.AUTO.value)
        parser.add_argument("--dry-run", action="store_true", help="say what would be stored")

    def handle(self, *args: Any, file: Path, workshop: str, **options: Any) -> None:
        shop = Workshop.objects.filter(slug=workshop).first()
        if shop is None:
            raise CommandError(f"There is no workshop {workshop!r}.")
        if not file.is_file():
            raise CommandError(f"{file}: there is no such file.")
        if file.stat().st_size > LARGEST_FILE:
            raise CommandError(f"{file}: larger than {LARGEST_FILE} bytes; split it.")
        try:
            done = import_file(
                workshop=shop,
                raw=file.read_bytes(),
                name=file.name,
                member=None,
                on=timezone.localdate(timezone.now()),
                kind=Kind(options["kind"]),
                dry_run=options["dry_run"],
            )
        except DomainError as refused:
            raise CommandError(str(refused)) from refused
        would = " (dry run: nothing is stored)" if options["dry_run"] else ""
        self.stdout.write(f"{file.name}, read as {done.kind}: {done}{would}")
