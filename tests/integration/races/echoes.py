"""Several dispatchers pass alerts on at once: what a racing process does."""

import sys
from pathlib import Path

from django.db import IntegrityError, transaction
from django.utils import timezone

from matching.echo import planning, sending
from matching.models import Delivery
from tests.integration.races.barrier import meet
from workshop import dispatcher, errands
from workshop.models import Workshop


def echo(folder: Path, people: int) -> dict[str, int]:
    """Settle by event and by sweep, and send, beside others who do."""
    meet(folder, "start", people)
    failed = dispatcher.drain().failed
    failed += dispatcher.sweep(now=timezone.now()).failed
    meet(folder, "settled", people)
    return {"failed": failed, "tried": errands.drain()}


def settle_naively(folder: Path, people: int) -> dict[str, int]:
    """The known-bad way: look which alerts are open, then write, without the workshop's lock."""
    workshop = Workshop.objects.get()
    alerts = planning._open_alerts(workshop.pk)
    meet(folder, "looked", people)
    try:
        with transaction.atomic():
            planning._settle_webhooks(workshop.pk, alerts, set(), timezone.now())
    except IntegrityError as refused:
        print(repr(refused), file=sys.stderr)
        return {"written": 0, "refused": 1}
    return {"written": len(alerts), "refused": 0}


def send_naively(folder: Path, people: int) -> dict[str, int]:
    """The known-bad way: look what is due, then send it, with nothing that says who does."""
    due = list(Delivery.objects.unscoped().filter(done_at__isnull=True).order_by("id"))
    meet(folder, "looked", people)
    for delivery in due:
        run = sending._prepare(delivery, timezone.now())
        assert run is not None
        run()
    return {"sent": len(due)}
