"""A dispatcher whose clock is off: `python -m tests.integration.faults.shifted SECONDS [BEAT]`.

With `stepped` it is set an hour on and back by turns, as a machine whose clock is set is. BEAT:
seconds between two beats, so that no test waits for those of the service.
"""

import itertools
import os
import signal
import sys
import threading
from datetime import timedelta

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.prod")

import django

django.setup()

from django.utils import timezone

from workshop import dispatcher
from workshop.outbox import doorbell

real = timezone.now
HOUR = 3600


def main() -> None:
    said, *beat = sys.argv[1:]
    if beat:
        dispatcher.BEAT_EVERY = timedelta(seconds=float(beat[0]))
    steps = itertools.cycle([HOUR, 0, -HOUR, 0])
    state = {"off": 0 if said == "stepped" else int(said)}
    if said == "stepped":

        def step() -> None:
            state["off"] = next(steps)
            again = threading.Timer(3.0, step)
            again.daemon = True
            again.start()

        step()
    moved = lambda: real() + timedelta(seconds=state["off"])  # noqa: E731
    timezone.now = moved
    dispatcher.drain.__kwdefaults__["now"] = moved
    stop = threading.Event()

    def end(*_: object) -> None:
        stop.set()
        doorbell.set()

    signal.signal(signal.SIGTERM, end)
    dispatcher.run_forever(stop)


if __name__ == "__main__":
    main()
