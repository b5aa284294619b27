"""Record facts with the write that made them true; act on them afterwards.

`record` is called inside the transaction of a service. `dispatcher.py` reads what was
committed. Nothing here touches a broker: Redis is only a doorbell (docs/adr/0003).
"""

import threading
from collections.abc import Mapping
from typing import Any

from django.db import transaction

from workshop.models import OutboxEvent

# Rung after a commit in this process; the embedded dispatcher waits on it instead of polling hard.
doorbell = threading.Event()


def record(kind: str, *, workshop_id: int, payload: Mapping[str, Any]) -> OutboxEvent:
    """Store one event in the caller's transaction. Raises RuntimeError outside of one."""
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError(f"{kind} was recorded outside a transaction; it could be lost.")
    event = OutboxEvent.objects.create(kind=kind, workshop_id=workshop_id, payload=dict(payload))
    transaction.on_commit(doorbell.set)
    return event


def record_in_pages(
    kind: str, *, workshop_id: int, key: str, ids: list[int], page: int = 200, **more: Any
) -> None:
    """Record many ids as several events, so that one arrival cannot hold the others up."""
    for start in range(0, len(ids), page):
        payload = {key: ids[start : start + page], **more}
        record(kind, workshop_id=workshop_id, payload=payload)
