"""The sweep: one repair that raises keeps no other from its work."""

import logging
from datetime import datetime

import pytest
from django.db import DatabaseError, connection, transaction

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
