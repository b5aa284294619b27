"""manage.py demo [--port N] [--no-serve]: see the main job happen, then try it yourself."""

from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from donors.selectors import candidates_for
from matching import demo, ruling
from matching.models import Alert, Rule
from parts.selectors import list_cautions
from workshop.errors import DomainError
from workshop.models import Workshop
from workshop.startup import DEMO_PASSWORD

SHOWN = 5
FIRST_CAUTIONS = ("all-unplug", "all-capacitor", "all-sharp", "all-weight", "all-gas")


class Command(BaseCommand):
    help = "Load the demo workshops, take one more machine in, show who was told, serve the site."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--no-serve", action="store_true", help="end after the arrival")

    def handle(self, *args: Any, port: int, no_serve: bool, **options: Any) -> None:
        if settings.PRODUCTION:
            raise CommandError("The demo brings published passwords; it is not for production.")
        self.stdout.write("Preparing the database ...")
        call_command("migrate", verbosity=0)
        self.stdout.write("Loading two invented workshops (the first time takes a minute) ...")
        try:
            workshop = demo.load(now=timezone.now(), say=self._say)
            arrival = demo.receive_next(workshop, now=timezone.now())
        except DomainError as refused:
            raise CommandError(refused.message) from refused
        self._show(arrival)
        self._show_proposals(workshop)
        self._sign_ins()
        if not no_serve:
            call_command("serve", port=port, stdout=self.stdout)

    def _say(self, line: str) -> None:
        self.stdout.write(line)
        self.stdout.flush()

    def _show(self, arrival: demo.Arrival | None) -> None:
        if arrival is None:
            self._say("\nAll demo machines have come in. Take one in yourself on the site.")
            return
        donor = arrival.donor
        self._say(f"\nA machine comes in: donor {donor.ref} ({donor.appliance.name})")
        self._say(f"  plate as read:   {donor.make_as_read or '(no make)'}  {donor.model_number}")
        self._say(f"  recognised as:   {self._recognised(arrival)}")
        cause = donor.cause.name if donor.cause else "not known"
        self._say(f"  scrapped for:    {cause}; parts in machine: {donor.parts.count()}")
        self._show_told(arrival.told)
        for caution in self._first_cautions(donor.appliance_id):
            self._say(f"  caution: {caution}")
        self._say("  Local codes and licensed people come first.")

    def _first_cautions(self, appliance: str) -> list[str]:
        """Return the cautions every stripping begins with, in that order."""
        by_slug = {caution.slug: caution.text for caution in list_cautions(appliance)}
        return [by_slug[slug] for slug in FIRST_CAUTIONS]

    def _recognised(self, arrival: demo.Arrival) -> str:
        donor = arrival.donor
        make = donor.make.name if donor.make else "unknown make"
        guessed = " (make guessed)" if donor.make_is_guess else ""
        if donor.recognised:
            return f"{make} {donor.recognised.number}{guessed}"
        likely = candidates_for(donor).likely
        if likely is None:
            return "no known model"
        return f"most likely {make} {likely.number}{guessed}; not confirmed by a person yet"

    def _show_told(self, told: tuple[Alert, ...]) -> None:
        if not told:
            self._say("  waiting jobs:    none can use a part of it")
            return
        jobs = sorted({alert.job.ref for alert in told})
        names = sorted({str(alert.recipient) for alert in told})
        self._say(f"  waiting jobs alerted: {', '.join(jobs)}; told: {', '.join(names)}")
        surest = list({alert.need_id: alert for alert in reversed(told)}.values())[::-1]
        for alert in surest[:SHOWN]:
            self._show_alert(alert)
        if len(surest) > SHOWN:
            self._say(f"  - and {len(surest) - SHOWN} more, less sure, in the inbox")

    def _show_alert(self, alert: Alert) -> None:
        self._say(f"  - {alert.summary}; fits {alert.p_fit:.0%}, good {alert.p_good:.0%}, because:")
        rows = [row for row in alert.reasons if row["bits"] and row["evidence"] != "start"]
        for row in sorted(rows, key=lambda row: -abs(row["bits"]))[:3]:
            self._say(f"      {row['sentence']}")

    def _show_proposals(self, workshop: Workshop) -> None:
        waiting = Rule.of(workshop).filter(state=Rule.State.PROPOSED)
        count = waiting.count()
        if not count:
            return
        self._say(f"\nRules the evidence speaks for, waiting for a reviewer: {count}, such as")
        rule = waiting.select_related("kind").order_by("-weight", "id")[0]
        self._say(f"  {ruling.in_words(rule)}")
        self._say(f"  {rule.evidence}")

    def _sign_ins(self) -> None:
        self._say(f"\nSign in with the password {DEMO_PASSWORD} as one of:")
        for slug, people in demo.PEOPLE.items():
            for username, (_, role) in people.items():
                self._say(f"  {username:8} {role.label} at {demo.WORKSHOPS[slug]}")
