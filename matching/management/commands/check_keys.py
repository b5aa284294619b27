"""Compare the keys candidates are found by with what they should be."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from matching import key_check


class Command(BaseCommand):
    help = "Recompute the keys parts, needs and past fittings are found by; exit 1 if some differ."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--repair", action="store_true", help="mend what differs")

    def handle(self, *, repair: bool, **options: Any) -> None:
        found = key_check.check(repair=repair)
        for one in found:
            self.stdout.write(f"{one.table}: {one.rows} rows {'mended' if repair else 'differ'}")
        if found and not repair:
            raise CommandError("Some keys are not true. Mend them: manage.py check_keys --repair")
        if not found:
            self.stdout.write("Every key is true.")
