"""Put alerts into inboxes. The row is the alert; to whom it is passed on is settled right after."""

from collections.abc import Sequence

from matching import events
from matching.echo.planning import anyone_to_tell
from matching.models import Alert
from workshop import outbox, tracing


def write(alerts: Sequence[Alert]) -> int:
    """Store what is news in the caller's transaction; constraints drop what was told before.

    All of one workshop. Returns how many were offered. An alert stored in another way is passed
    on too, by the next sweep.
    """
    if not alerts:
        return 0
    workshop_id = alerts[0].workshop_id
    passed_on = anyone_to_tell(workshop_id)
    for alert in alerts:
        alert.echoed = not passed_on
        alert.request_id = alert.request_id or tracing.current()
    Alert.objects.bulk_create(alerts, ignore_conflicts=True, batch_size=200)
    if passed_on:
        outbox.record(events.ALERTS_WRITTEN, workshop_id=workshop_id, payload={})
    return len(alerts)
