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
OFF_BY = timedelta(seconds=30)  # what clocks of two machines may differ by without a word


@dataclass(frozen=True)
class Claim:
    """Which rows this process may act on, and the lease it shows for them."""

    ids: tuple[Any, ...]
    lease: uuid.UUID


def claim(
    rows: "QuerySet[Any]",
    *,
    now: datetime,
    batch: int,
    lease_for: timedelta = LEASE,
    longest_wait: timedelta | None = None,
    counts: bool = True,
) -> Claim:
    """Lease up to `batch` of these rows that are due. SKIP LOCKED on PostgreSQL, IMMEDIATE on
    SQLite. Counts an attempt on each, unless whoever claims many counts them when it begins.

    longest_wait: no row is ever put off for longer; one that seems to be was written by a clock
    that was ahead, or ours was put back since, and is due. So is a lease longer than any.
    """
    lease = uuid.uuid4()
    due_now = Q(available_at__lte=now)
    if longest_wait is not None:
        due_now |= Q(available_at__gt=now + longest_wait)
    open_now = Q(done_at__isnull=True, dead_at__isnull=True) & due_now
    run_out = Q(leased_until__lt=now) | Q(leased_until__gt=now + lease_for + OFF_BY)
    due = rows.filter(open_now, Q(leased_until__isnull=True) | run_out)
    if not due.exists():
        # Looking first keeps an idle dispatcher from taking SQLite's write lock every second.
        return Claim((), lease)
    with transaction.atomic():
        locked = due
        if connection.features.has_select_for_update_skip_locked:
            locked = due.select_for_update(skip_locked=True)
        ordered = locked.order_by("available_at", *rows.model._meta.ordering)
        ids = tuple(ordered.values_list("id", flat=True)[:batch])
        attempts = F("attempts") + (1 if counts else 0)
        rows.model.objects.unscoped().filter(id__in=ids).update(
            lease=lease, leased_until=now + lease_for, attempts=attempts
        )
    return Claim(ids, lease)
