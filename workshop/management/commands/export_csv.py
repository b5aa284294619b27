"""manage.py export_csv KIND FILE [--workshop SLUG]"""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from workshop.choosing import choose_workshop
from workshop.errors import DomainError
from workshop.exchange import sheets


class Command(BaseCommand):
    help = "Write an exchange file; `-` writes to standard output."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("kind", help=f"one of: {', '.join(sheets.kinds())}")
        parser.add_argument("file", type=Path)
        parser.add_argument("--workshop", default="", help="slug; not needed when there is one")

    def handle(self, *args: Any, kind: str, file: Path, workshop: str, **options: Any) -> None:
        try:
            found, _ = choose_workshop(workshop)
            if str(file) == "-":
                for line in sheets.export_text(kind, workshop=found):
                    self.stdout.write(line, ending="")
                return
            rows = sheets.export_file(kind, file, workshop=found)
        except DomainError as refused:
            raise CommandError(refused.message) from refused
        except OSError as bad:
            raise CommandError(f"{file} cannot be written: {bad.strerror}.") from bad
        self.stdout.write(f"{file}: {rows} rows")
