"""Celery tasks. Each looks in the database for what is due; no argument matters."""

from typing import Any

from celery import shared_task
from django.utils import timezone

from workshop import dispatcher


@shared_task
def dispatch(**_: Any) -> None:
    """Handle what is due, at most some rounds, so that the task stays far from its limit."""
    now = timezone.now()
    done = dispatcher.drain(most_rounds=dispatcher.MOST_ROUNDS)
    dispatcher.beat(now=now, handled=done.handled)


@shared_task
def sweep(**_: Any) -> None:
    """Repair what slipped through."""
    dispatcher.sweep(now=timezone.now())
