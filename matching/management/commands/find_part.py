"""manage.py find_part "<text>" [--make] [--kind] [--part-number] [--json]"""

import json
from argparse import ArgumentTypeError
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from donors import recognition
from matching import finding
from workshop.choosing import choose_workshop
from workshop.domain import money
from workshop.domain.intervals import Interval
from workshop.errors import DomainError
from workshop.exchange import cells


def built(text: str) -> Interval:
    """Parse 2016-03-07 or 2016-03-01..2016-03-31."""
    start, _, end = text.partition("..")
    try:
        return Interval(date.fromisoformat(start), date.fromisoformat(end or start))
    except ValueError as bad:
        raise ArgumentTypeError(f"{text!r}: write 2016-03-07 or 2016-03-01..2016-03-31") from bad


def attributes(text: str) -> dict[str, str]:
    try:
        return cells.attributes(text)
    except ValueError as bad:
        raise ArgumentTypeError(str(bad)) from bad


class Command(BaseCommand):
    help = "Find parts in stock for a machine: ranked, each with its reasons and odds."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("text", help="model number, perhaps among other words")
        parser.add_argument("--make", default="")
        parser.add_argument("--kind", default="", help="such as drain-pump")
        parser.add_argument("--part-number", default="", help="printed on the job's own part")
        parser.add_argument("--position", default="")
        parser.add_argument("--built", type=built, default=None, help="2016-03-01..2016-03-31")
        parser.add_argument("--attributes", type=attributes, default=None, help="name=value;...")
        parser.add_argument("--most", type=int, default=20)
        parser.add_argument("--workshop", default="", help="slug; not needed when there is one")
        parser.add_argument("--json", action="store_true")

    def handle(self, *args: Any, **options: Any) -> None:
        query = finding.Query(
            text=options["text"],
            make=options["make"],
            kind=options["kind"],
            part_number=options["part_number"],
            position=options["position"],
            attributes=options["attributes"] or {},
            built=options["built"],
            most=options["most"],
        )
        try:
            workshop, _ = choose_workshop(options["workshop"])
            found = finding.find_parts(workshop, query, on=timezone.localdate())
        except DomainError as refused:
            raise CommandError(refused.message) from refused
        rows = found.as_rows()
        if options["json"]:
            self._print_json(found, rows)
        else:
            self._print_text(found, rows)

    def _print_json(self, found: finding.Found, rows: list[dict[str, Any]]) -> None:
        for rank, row in enumerate(rows, start=1):
            row["rank"] = rank
            row["price"] = money.to_text(row["price_cents"])
        answer = {
            "recognised": recognition.as_row(found.recognition),
            "kinds": list(found.kinds),
            "results": rows,
        }
        self.stdout.write(json.dumps(answer, indent=1, ensure_ascii=False))

    def _print_text(self, found: finding.Found, rows: list[dict[str, Any]]) -> None:
        seen = found.recognition
        named = seen.settled or seen.likely
        taken = f"{named.make} {named.number}" if named else "no known model"
        self.stdout.write(f"Read as {seen.canonical or 'nothing'}: {taken} ({seen.how.value}).")
        if not rows:
            self.stdout.write(finding.nothing_found(found))
        for rank, row in enumerate(rows, start=1):
            where = f"bin {row['bin']}" if row["bin"] else row["state_label"]
            price = money.to_text(row["price_cents"]) or "no price"
            held = f"; held for {row['held_for']}" if row["held_for"] else ""
            if row["proposed_to"]:
                held += f"; proposed to {row['proposed_to']}"
            self.stdout.write(
                f"{rank:2}. {row['verdict_shape']} {row['verdict_label']}: {row['part_ref']} "
                f"{row['kind_name'].lower()} {row['part_number']} from "
                f"{row['donor_ref'] or 'stock'} ({where}), fits {row['p_fit']:.0%}, "
                f"good {row['p_good']:.0%} ({row['grade_label']}), {price}{held}"
            )
            if row["reuse_advice"]:
                self.stdout.write(f"            On reuse: {row['reuse_advice']}")
            for reason in row["reasons"]:
                if reason["bits"]:
                    self.stdout.write(f"      {reason['bits']:+.1f}  {reason['sentence']}")
            self.stdout.write(f"            {row['condition']}")
        self.stdout.write(
            "Unplug and prove dead before you open a machine; gas and refrigerant are for "
            "licensed people; local codes come first."
        )
