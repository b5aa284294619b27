"""manage.py measure_lookup MODELS.csv QUERIES.csv [--json]"""

import json
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from donors import measuring
from workshop.errors import DomainError


class Command(BaseCommand):
    help = (
        "Measure the lookup of model numbers: how often the right one comes first or among five, "
        "how long it takes, what it costs. Works on files alone; the workshop's data is neither "
        "read nor changed."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("models", type=Path, help="models.csv: the catalogue to ask")
        parser.add_argument(
            "queries", type=Path, help="columns text, make (may be blank), expected (| separated)"
        )
        parser.add_argument("--json", action="store_true", help="print one JSON object")

    def handle(self, *args: Any, models: Path, queries: Path, **options: Any) -> None:
        try:
            found = measuring.as_row(measuring.measure(models, queries))
        except DomainError as refused:
            raise CommandError(refused.message) from refused
        if options["json"]:
            self.stdout.write(json.dumps(found))
            return
        for name, value in found.items():
            self.stdout.write(f"{name.replace('_', ' '):12} {value}")
