"""Celery for the scaled-out service. Redis is a doorbell: the work itself stands in the outbox.

Settings and their reasons: docs/adr/0003.
"""

import os
import threading
from typing import Any

from celery import Celery, signals

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
    result_backend_transport_options={"visibility_timeout": 2 * TASK_SECONDS},
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


@signals.setup_logging.connect
def keep_the_site_s_logging(**_: Any) -> None:
    """Write the worker's lines as LOGGING says: a receiver keeps Celery from laying its own."""


_stop_standing_in = threading.Event()


@signals.worker_init.connect
def stand_in_for_the_queue(**_: Any) -> None:
    """Have this worker dispatch by itself while no ring comes through (docs/adr/0003).

    From its start on: it is ready only once it reached the broker, which may be away.
    """
    from workshop import standing_in

    if env.flag("NO_STANDING_IN"):  # for the control of a test only
        return
    _stop_standing_in.clear()
    args = [_stop_standing_in]
    threading.Thread(target=standing_in.run, args=args, name="standing-in", daemon=True).start()


@signals.worker_shutting_down.connect
def stand_in_no_more(**_: Any) -> None:
    _stop_standing_in.set()


@signals.worker_init.connect
@signals.beat_init.connect
def refuse_to_start_on_bad_settings(**_: Any) -> None:
    """End the worker or the scheduler with every fault and its cure.

    SystemExit, because Celery logs other exceptions of a receiver and goes on.
    """
    from django.core.exceptions import ImproperlyConfigured

    from workshop.startup import refuse_bad_settings

    try:
        refuse_bad_settings()
    except ImproperlyConfigured as faults:
        raise SystemExit(str(faults)) from faults
