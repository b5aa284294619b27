"""Alerts to pass on, a member who wants mail, a receiver on loopback."""

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

import pytest
from django.db import transaction

from matching import inbox
from matching.echo import choices
from matching.echo.choices import Choices
from matching.models import Alert, Delivery
from tests.factories import NOW, Bench
from tests.integration.matching.echo.receiver import Receiver, receiving
from workshop import dispatcher, errands
from workshop.models import Member, OutboxEvent

Tell = Callable[..., list[Alert]]


@pytest.fixture
def tell(bench: Bench) -> Tell:
    """Write alerts about one job into an inbox; the next call writes others."""
    job = bench.job("W7-60 R1 W", technician=bench.technician)
    bench.drain()
    count = iter(range(10_000))

    def write(
        number: int = 1,
        *,
        to: Member | None = None,
        news: str = "review",
        now: datetime = NOW,
        **values: Any,
    ) -> list[Alert]:
        alerts = [
            Alert(
                workshop=bench.workshop,
                recipient=to or bench.technician,
                news=news,
                about=f"day {next(count)}",
                job=job,
                told_at=now,
                **{"summary": f"{job.ref}: time to look at it again", **values},
            )
            for _ in range(number)
        ]
        with transaction.atomic():
            inbox.write(alerts)
        return alerts

    return write


@pytest.fixture
def wants_mail(bench: Bench) -> Callable[..., None]:
    """Switch a member's mail on, with these choices."""

    def switch_on(member: Member | None = None, **values: Any) -> None:
        stated = {"mail_on": True, "address": "tech@workshop.example", **values}
        confirmed(member or bench.technician, Choices(**stated))

    return switch_on


@pytest.fixture
def receiver(settings: Any) -> Iterator[Receiver]:
    settings.WEBHOOKS_TO_LOOPBACK = True
    with receiving() as found:
        yield found


def confirmed(member: Member, chosen: Choices, now: datetime = NOW) -> None:
    """Store choices and confirm their address, as its holder does by the link."""
    row = choices.save_choices(member=member, choices=chosen, now=now)
    choices.confirm(token=choices.confirm_token(row))
    Delivery.of(member.workshop).exclude(asks="").delete()


def settle(now: datetime) -> None:
    """Let the dispatcher write the deliveries, as if what was recorded had been just now."""
    OutboxEvent.objects.unscoped().filter(done_at__isnull=True).update(available_at=now)
    assert dispatcher.drain(now=lambda: now).failed == 0


def pass_on(now: datetime) -> int:
    """Settle and send all that is due at a moment. Returns how much was tried."""
    settle(now)
    return errands.drain(now=lambda: now)
