"""Record facts with the write that made them true; act on them afterwards.

`record` is called inside the transaction of a service. `dispatcher.py` reads what was
committed. Nothing here touches a broker: Redis is only a doorbell (docs/adr/0003).
"""

import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from django.db import transaction

from workshop import tracing
from workshop.models import OutboxEvent

# Rung after a commit in this process; the embedded dispatcher waits on it instead of polling hard.
doorbell = threading.Event()

_let_wait: set[str] = set()
_never_waits: set[str] = set()
_in_background: ContextVar[bool] = ContextVar("in_background", default=False)


def let_wait(*kinds: str) -> None:
    """Have news go before events of these kinds, and before all that is recorded by handling them.

    For what is reckoned anew in bulk: thousands of machines read again must not hold up the one
    that has just come in. Called from an app's receivers.
    """
    _let_wait.update(kinds)


def never_waits(*kinds: str) -> None:
    """Say that events of these kinds are news even where background work recorded them."""
    _never_waits.update(kinds)


@contextmanager
def handling(event: OutboxEvent) -> Iterator[None]:
    """What is recorded meanwhile waits behind news when this event did."""
    before = _in_background.set(event.background)
    try:
        yield
    finally:
        _in_background.reset(before)


def _is_background(kind: str) -> bool:
    return kind in _let_wait or (_in_background.get() and kind not in _never_waits)


def record(kind: str, *, workshop_id: int, payload: Mapping[str, Any]) -> OutboxEvent:
    """Store one event in the caller's transaction. Raises RuntimeError outside of one."""
    return record_all(kind, workshop_id=workshop_id, payloads=[payload])[0]


def record_all(
    kind: str, *, workshop_id: int, payloads: Iterable[Mapping[str, Any]]
) -> list[OutboxEvent]:
    """Store several events of a kind, in order, in one query. Raises as `record` does."""
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError(f"{kind} was recorded outside a transaction; it could be lost.")
    whence = tracing.current()
    rows = [
        OutboxEvent(
            kind=kind,
            workshop_id=workshop_id,
            payload=dict(one),
            request_id=whence,
            background=_is_background(kind),
        )
        for one in payloads
    ]
    if rows:
        OutboxEvent.objects.bulk_create(rows, batch_size=100)
        transaction.on_commit(doorbell.set)
    return rows


def record_in_pages(
    kind: str, *, workshop_id: int, key: str, ids: Sequence[Any], page: int = 200, **more: Any
) -> None:
    """Record many ids as several events, so that one arrival cannot hold the others up."""
    pages = (ids[start : start + page] for start in range(0, len(ids), page))
    payloads = [{key: one, **more} for one in pages]
    record_all(kind, workshop_id=workshop_id, payloads=payloads)
