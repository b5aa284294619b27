"""The known-bad site: whoever records an event rings the queue, in their own request.

`gunicorn tests.integration.faults.ringing`. Celery as it comes: it waits for the broker without
end. The file named by RANG is written when a request begins to ring.
"""

import os
from pathlib import Path

from celery import Celery

from config.wsgi import application
from workshop import outbox

__all__ = ["application"]

queue = Celery("rings-itself", broker=os.environ["REDIS_URL"])


class Bell:
    """Stands where the bell of this process is."""

    def set(self) -> None:
        Path(os.environ["RANG"]).touch()
        queue.send_task("workshop.tasks.dispatch")


outbox.doorbell = Bell()  # type: ignore[assignment]
