"""manage.py dispatch [--once]: act on recorded events, as the embedded server does by itself."""

import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone

from workshop import dead_letters, dispatcher, errands
from workshop.outbox import doorbell


class Command(BaseCommand):
    help = "Match what came in and tell people, until stopped; --once works off what is there."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="work off what is due, then end")

        parser.add_argument(
            "--retry-dead", action="store_true", help="show what was given up on, and try again"
        )

    def handle(self, *args: Any, once: bool, retry_dead: bool, **options: Any) -> None:
        if retry_dead:
            for letter in dead_letters.list_everywhere():
                when = f"{letter.dead_at:%Y-%m-%d %H:%M}"
                self.stdout.write(
                    f"{when} {letter.workshop.slug} {letter.kind}: {letter.last_error}"
                )
            replayed = dead_letters.replay_everywhere(now=timezone.now())
            self.stdout.write(f"{replayed} made due again.")
            once = True
        if once:
            done = dispatcher.drain()
            self.stdout.write(f"{done.handled} events handled, {done.failed} to retry.")
            self.stdout.write(f"{errands.drain()} mails and webhooks tried.")
            return
        stop = threading.Event()

        def end(*_: Any) -> None:
            stop.set()
            doorbell.set()

        signal.signal(signal.SIGTERM, end)
        signal.signal(signal.SIGINT, end)
        dispatcher.run_forever(stop)
