"""Celery tasks. Each looks in the database for what is due; no argument matters."""

from datetime import timedelta
from typing import Any

from celery import shared_task
from django.utils import timezone

from workshop import dispatcher, errands

BEGIN_FOR = timedelta(seconds=5)  # with the longest errand far from a task's limit


@shared_task
def dispatch(**_: Any) -> None:
    """Handle what is due; nothing is begun near the task's limit, and one at a time, so that a
    task that is ended all the same holds up no others by its leases.
    """
    dispatcher.beat(now=timezone.now(), handled=0)
    done = dispatcher.drain(begin_for=dispatcher.BEGIN_FOR, batch=1)
    dispatcher.beat(now=timezone.now(), handled=done.handled)


@shared_task
def sweep(**_: Any) -> None:
    """Repair what slipped through."""
    dispatcher.sweep(now=timezone.now())


@shared_task
def run_errands(**_: Any) -> None:
    """Send what is due; what takes longer is left to the next task."""
    errands.drain(begin_for=BEGIN_FOR)
