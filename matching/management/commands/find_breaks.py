"""manage.py find_breaks [--workshop SLUG] [--kind SLUG] [--json]"""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from matching import build_breaks
from matching.domain.break_seeking import FoundBreak
from parts.reference import kinds
from workshop.models import Workshop


class Command(BaseCommand):
    help = (
        "Print the build breaks the sightings tell of: the date within a family where a part "
        "changed. Nothing is stored; the sweep proposes them to a reviewer."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--workshop", default="", help="slug; needed when there are several")
        parser.add_argument("--kind", default="", help="look at this part kind only")
        parser.add_argument("--json", action="store_true", help="print one JSON object")

    def handle(self, *args: Any, workshop: str, kind: str, **options: Any) -> None:
        shop = self._workshop(workshop)
        seen = [one for one in sorted(kinds()) if kind in ("", one)]
        found = [(slug, one) for slug in seen for one in build_breaks.find(shop.pk, slug)]
        if options["json"]:
            rows = [{"kind": slug, **_as_dict(one)} for slug, one in found]
            self.stdout.write(json.dumps({"breaks": rows}))
            return
        for slug, one in found:
            self.stdout.write(_line(slug, one))
        self.stdout.write(f"{len(found)} found among {len(seen)} kinds.")

    def _workshop(self, slug: str) -> Workshop:
        rows = list(Workshop.objects.filter(slug=slug) if slug else Workshop.objects.all()[:2])
        if len(rows) != 1:
            raise CommandError("Name one workshop with --workshop SLUG.")
        return rows[0]


def _as_dict(one: FoundBreak) -> dict[str, Any]:
    found = one.found
    return {
        "make": one.scope.make,
        "family": one.scope.family,
        "revision": one.scope.revision,
        "model": one.scope.model,
        "changed_from": str(found.changed.start),
        "changed_to": str(found.changed.end),
        "chance": round(found.chance, 4),
        "before": dict(found.before),
        "after": dict(found.after),
    }


def _line(slug: str, one: FoundBreak) -> str:
    found = one.found
    before, after = ", ".join(found.numbers_before), ", ".join(found.numbers_after)
    return (
        f"{slug} of {one.scope}: {before} until, {after} from {found.changed} "
        f"(chance {found.chance:.3f}, {found.sightings} sightings)"
    )
