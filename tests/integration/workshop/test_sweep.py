"""The sweep: one repair that raises keeps no other from its work."""

import logging
from collections.abc import Callable
from datetime import datetime

import pytest
from django.db import DatabaseError, connection, transaction

from matching import receivers
from tests.factories import NOW
from workshop import dispatcher
from workshop.models import DispatcherPulse
from workshop.tasks import sweep as sweep_task

pytestmark = pytest.mark.django_db


def broken(now: datetime) -> int:
    raise ZeroDivisionError("a row that cannot be")


def broken_in_the_database(now: datetime) -> int:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT nothing FROM nowhere")
    return 1


def mends_two(now: datetime) -> int:
    dispatcher.beat(now=now, handled=2)
    return 2


@pytest.fixture
def repairs(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    rows = [mends_two, broken, broken_in_the_database, mends_two]
    monkeypatch.setattr(dispatcher, "_sweeps", rows)
    monkeypatch.setattr(dispatcher, "_long_sweeps", [])
    return rows


def test_the_others_run_and_the_failures_are_counted_and_logged(
    repairs: list[object], caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.ERROR, logger="workshop.dispatcher"):
        assert dispatcher.sweep(now=NOW) == dispatcher.Round(handled=4, failed=2)
    assert DispatcherPulse.objects.get().handled == 2
    told = [record.getMessage() for record in caplog.records]
    assert told == [
        f"sweep: {__name__}.broken failed",
        f"sweep: {__name__}.broken_in_the_database failed",
        "sweep: 2 of 4 repairs failed",
    ]
    raised = [record.exc_info[0] for record in caplog.records if record.exc_info]
    assert raised[0] is ZeroDivisionError
    assert issubclass(raised[1], DatabaseError)


def test_the_task_runs_the_others_too(repairs: list[object]) -> None:
    sweep_task()
    assert DispatcherPulse.objects.exists()


def test_what_takes_long_runs_after_every_other_repair(
    repairs: list[object], monkeypatch: pytest.MonkeyPatch
) -> None:
    ran: list[str] = []

    def noted(name: str) -> Callable[[datetime], int]:
        return lambda now: ran.append(name) or 0  # type: ignore[func-returns-value]

    repairs.clear()
    dispatcher.sweeps_last(noted("long"))
    dispatcher.sweeps(noted("an app's"))
    dispatcher.sweeps(noted("another app's"))
    dispatcher.sweep(now=NOW)
    assert ran == ["an app's", "another app's", "long"]


def test_looking_for_machines_keeps_no_reminder_waiting() -> None:
    assert receivers.look_for in dispatcher._long_sweeps
    assert receivers.look_for not in dispatcher._sweeps
    assert receivers.remind_of_waits in dispatcher._sweeps
