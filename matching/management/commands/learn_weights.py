"""manage.py learn_weights [--accept | --revert | --list] [--by NAME] [--workshop SLUG]"""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from matching import learning, teaching
from workshop.choosing import choose_workshop
from workshop.errors import DomainError, InputRefused
from workshop.members import find_by_name
from workshop.models import Member, Workshop


class Command(BaseCommand):
    help = (
        "Learn the weights of the evidence from a workshop's past fittings. Prints the change in "
        "held-out log loss; nothing is in force before --accept."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--workshop", default="", help="slug; not needed when there is one")
        act = parser.add_mutually_exclusive_group()
        act.add_argument("--accept", action="store_true", help="put what was learned in force")
        act.add_argument("--revert", action="store_true", help="go back to the weights before")
        act.add_argument("--list", action="store_true", help="who put what in force, and when")
        parser.add_argument("--by", default="", help="sign-in name of the reviewer who decides")
        parser.add_argument("--force", action="store_true", help="accept though it is no better")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            workshop, _ = choose_workshop(options["workshop"])
            if options["list"]:
                self._list(workshop)
            elif options["revert"]:
                self._revert(workshop, _member(workshop, options["by"]))
            else:
                self._learn(workshop, options)
        except DomainError as refused:
            raise CommandError(refused.message) from refused

    def _learn(self, workshop: Workshop, options: dict[str, Any]) -> None:
        member = _member(workshop, options["by"]) if options["accept"] else None
        taught = teaching.teach(workshop.pk)
        self.stdout.write(learning.summary(taught))
        if member is None:
            teaching.store_report(workshop=workshop, taught=taught, now=timezone.now())
            if taught.better:
                self.stdout.write("Not in force. To accept: learn_weights --accept --by NAME")
            return
        found = teaching.accept_weights(
            workshop=workshop,
            taught=taught,
            member=member,
            now=timezone.now(),
            though_worse=options["force"],
        )
        teaching.store_report(workshop=workshop, taught=taught, now=timezone.now())
        self.stdout.write(f"Version {found.pk} is in force; open needs are being matched anew.")

    def _revert(self, workshop: Workshop, member: Member) -> None:
        found = teaching.revert_weights(workshop=workshop, member=member, now=timezone.now())
        now = f"those of {found.outcomes} fittings, version {found.pk}" if found else "by hand"
        self.stdout.write(f"The weights are now {now}; open needs are being matched anew.")

    def _list(self, workshop: Workshop) -> None:
        rows = teaching.list_weights(workshop.pk)
        if not rows:
            self.stdout.write("The weights were never learned; the table set by hand is in force.")
        for row in rows:
            end = f"until {row.ended_at:%Y-%m-%d %H:%M} ({row.ended_by})" if row.ended_at else "now"
            self.stdout.write(
                f"version {row.pk}: {row.accepted_at:%Y-%m-%d %H:%M} ({row.accepted_by}) {end}; "
                f"{row.outcomes} fittings, held-out log loss {row.loss_before:.4f} to "
                f"{row.loss_after:.4f}"
            )


def _member(workshop: Workshop, name: str) -> Member:
    if not name:
        raise InputRefused("Say who decides: --by NAME, the sign-in name of a reviewer.")
    return find_by_name(workshop, name)
