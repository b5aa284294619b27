"""Writes on a member's inbox."""

from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

from matching.models import Alert
from workshop.errors import NotFound
from workshop.models import Member


def mark_read(*, member: Member, alert_id: UUID, now: datetime) -> Alert:
    """Mark one alert read; a second time changes nothing. Raises NotFound."""
    rows = Alert.of(member.workshop_id).filter(recipient=member, pk=alert_id)
    rows.filter(read_at__isnull=True).update(read_at=now)
    alert = rows.first()
    if alert is None:
        raise NotFound("There is no such alert in your inbox.")
    found: Alert = alert
    return found


def mark_all_read(*, member: Member, now: datetime, only: Iterable[UUID] | None = None) -> int:
    """Mark the member's unread alerts read (or those named). Returns how many."""
    rows = Alert.of(member.workshop_id).filter(recipient=member, read_at__isnull=True)
    if only is not None:
        rows = rows.filter(pk__in=list(only))
    return int(rows.update(read_at=now))
