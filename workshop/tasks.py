"""Celery tasks. Each looks in the database for what is due; no argument matters."""

from typing import Any

from celery import shared_task
from django.utils import timezone

from workshop import dispatcher


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
