"""Rows that wait to be acted on, claimed by lease: the outbox and what is sent out share this.

Such a row carries available_at, leased_until, lease, attempts, done_at and dead_at. A process
that dies leaves a lease that runs out, and another takes the row.
"""

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import connection, transaction
from django.db.models import F, Q, QuerySet

LEASE = timedelta(seconds=60)


@dataclass(frozen=True)
class Claim:
    """Which rows this process may act on, and the lease it shows for them."""

    ids: tuple[Any, ...]
    lease: uuid.UUID


def claim(rows: "QuerySet[Any]", *, now: datetime, batch: int) -> Claim:
    """Lease up to `batch` of these rows that are due. SKIP LOCKED on PostgreSQL, IMMEDIATE on
    SQLite. Counts an attempt on each.
    """
    lease = uuid.uuid4()
    open_now = Q(done_at__isnull=True, dead_at__isnull=True, available_at__lte=now)
    unleased = Q(leased_until__isnull=True) | Q(leased_until__lt=now)
    due = rows.filter(open_now, unleased)
    if not due.exists():
        # Looking first keeps an idle dispatcher from taking SQLite's write lock every second.
        return Claim((), lease)
    with transaction.atomic():
        locked = due
        if connection.features.has_select_for_update_skip_locked:
            locked = due.select_for_update(skip_locked=True)
        ordered = locked.order_by("available_at", *rows.model._meta.ordering)
        ids = tuple(ordered.values_list("id", flat=True)[:batch])
        rows.model.objects.unscoped().filter(id__in=ids).update(
            lease=lease, leased_until=now + LEASE, attempts=F("attempts") + 1
        )
    return Claim(ids, lease)
