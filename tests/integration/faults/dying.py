"""A dispatcher that stands still at a chosen moment, to be killed there.

`python -m tests.integration.faults.dying WAY FILE` writes FILE once it stands where WAY says:

whole        its handler has written, the transaction that closes the event is not committed (ours)
closes-first the event is closed and committed, the handler has not begun (known bad: loses)
acts-first   the handler's writes are committed, the event is not closed (known bad: doubles)
"""

import os
import sys
import time
from datetime import datetime
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.prod")

import django

django.setup()

from django.db import transaction
from django.utils import timezone

from donors import events
from workshop import dispatcher
from workshop.models import OutboxEvent


def main() -> None:
    way, mark = sys.argv[1], Path(sys.argv[2])

    def stand(event: OutboxEvent, now: datetime) -> None:
        mark.touch()
        time.sleep(600)

    handlers = dispatcher._handlers[events.DONOR_RECEIVED]
    if way == "whole":
        handlers.append(stand)
    elif way == "closes-first":
        handlers[:] = [stand]
        dispatcher._act_and_close = close_first
    else:
        ours = list(handlers)

        def act_first(event: OutboxEvent, now: datetime) -> None:
            for handler in ours:
                handler(event, now)

        handlers[:] = [act_first]
        dispatcher._act_and_close = lambda *args, **kwargs: act_and_stand(stand, *args, **kwargs)
    dispatcher.drain()


def close_first(event_id: object, lease: object, kind: str, *, now: datetime) -> bool:
    OutboxEvent.objects.unscoped().filter(pk=event_id).update(
        done_at=now, lease=None, leased_until=None
    )
    return act(event_id, kind, now)


def act_and_stand(stand: object, event_id: object, lease: object, kind: str, **_: object) -> bool:
    now = timezone.now()
    act(event_id, kind, now)
    if kind == events.DONOR_RECEIVED:
        stand(event_id, now)  # type: ignore[operator]
    return True


def act(event_id: object, kind: str, now: datetime) -> bool:
    with transaction.atomic():
        event = OutboxEvent.objects.unscoped().get(pk=event_id)
        for handler in dispatcher._handlers.get(kind, []):
            handler(event, now)
    return True


if __name__ == "__main__":
    main()
