"""How gunicorn serves the site: `gunicorn config.wsgi` from this folder reads it.

WEB_PROCESSES and WEB_THREADS say how many; WEB_BIND where (default: this machine only).
"""

import os
import shutil
from pathlib import Path

from config import env

bind = env.text("WEB_BIND", "127.0.0.1:8000")
workers = env.number("WEB_PROCESSES", 2)
worker_class = "gthread"
threads = env.number("WEB_THREADS", 4)
timeout = 60  # longer than any page
graceful_timeout = 25  # requests under way at a stop; below the 30 s a stop may take
accesslog = None  # the service writes a line a request itself, without addresses (LOG_LEVEL=INFO)
logger_class = "config.server_log.ServerLog"  # its lines, of errors too, hold no secrets

_figures = Path(
    env.text("PROMETHEUS_MULTIPROC_DIR")
    or env.folder("DATA_DIR", Path(__file__).parent / "var") / "figures"
)
# Read by the metrics library when a process first imports it.
os.environ["PROMETHEUS_MULTIPROC_DIR"] = str(_figures)


def on_starting(server: object) -> None:
    """Begin with no figures: those of processes long gone would be added to ours."""
    shutil.rmtree(_figures, ignore_errors=True)
    _figures.mkdir(parents=True)


def child_exit(server: object, worker: object) -> None:
    """Let the figures of a process that ended count on, but not its gauges."""
    from prometheus_client import multiprocess

    multiprocess.mark_process_dead(worker.pid)  # type: ignore[attr-defined, no-untyped-call]
