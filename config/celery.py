"""Celery for the scaled-out service. Redis is a doorbell: the work itself stands in the outbox.

Settings and their reasons: docs/adr/0003.
"""

import os

from celery import Celery

from config import env

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.prod")

TASK_SECONDS = 30

app = Celery("donor_machines", broker=env.text("REDIS_URL") or "memory://")
app.conf.update(
    accept_content=["json"],
    task_serializer="json",
    task_ignore_result=True,
    task_acks_late=True,
    task_reject_on_worker_lost=True,
    task_time_limit=TASK_SECONDS,
    worker_prefetch_multiplier=1,
    worker_soft_shutdown_timeout=20,
    worker_enable_soft_shutdown_on_idle=True,
    visibility_timeout=2 * TASK_SECONDS,
    broker_connection_retry_on_startup=True,
    broker_transport_options={
        "visibility_timeout": 2 * TASK_SECONDS,
        "unacked_restore_interval": 5,
        "unacked_restore_throttle": 1,
        "socket_timeout": 2,
        "socket_connect_timeout": 2,
    },
    beat_schedule={
        # A missed or doubled ring does no harm: the outbox says what is due.
        "dispatch": {
            "task": "workshop.tasks.dispatch",
            "schedule": 1.0,
            "options": {"expires": 5},
        },
        "errands": {
            "task": "workshop.tasks.run_errands",
            "schedule": 1.0,
            "options": {"expires": 5},
        },
        "sweep": {"task": "workshop.tasks.sweep", "schedule": 60.0, "options": {"expires": 50}},
    },
)
app.autodiscover_tasks(["workshop"])
