"""manage.py propose_rules [--workshop SLUG]"""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from matching import rule_watch
from matching.models import Rule
from workshop import dispatcher
from workshop.choosing import choose_workshop
from workshop.errors import DomainError


class Command(BaseCommand):
    help = (
        "Weigh all evidence on record for rules now, as the sweep does by itself once: count what "
        "speaks for and against each open rule, and propose what no rule says yet."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--workshop", default="", help="slug; not needed when there is one")

    def handle(self, *args: Any, workshop: str, **options: Any) -> None:
        try:
            found, _ = choose_workshop(workshop)
        except DomainError as refused:
            raise CommandError(refused.message) from refused
        proposed = Rule.of(found).filter(state=Rule.State.PROPOSED)
        before = set(proposed.values_list("pk", flat=True))
        kinds = rule_watch.ask_for_all(found.pk, now=timezone.now())
        done = dispatcher.drain()
        new = proposed.exclude(pk__in=before).count()
        self.stdout.write(
            f"{len(kinds)} part kinds weighed: {new} rules newly proposed, {proposed.count()} wait "
            "for a reviewer."
        )
        if done.failed:
            raise CommandError(f"{done.failed} reviews failed; the log says why. They are retried.")
