"""The embedded server: the site on waitress with the dispatcher beside it in one process."""

import signal
import socket
import threading
from collections.abc import Callable
from types import FrameType

import waitress
from django.conf import settings
from django.core.handlers.wsgi import WSGIHandler

from workshop import dispatcher
from workshop.outbox import doorbell

TRIES = 10


def free_port(host: str, port: int) -> int:
    """Return `port`, or the next free one of ten. Raises OSError when all are taken."""
    for candidate in range(port, port + TRIES):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, candidate))
            except OSError:
                continue
            return candidate
    raise OSError(f"ports {port} to {port + TRIES - 1} on {host} are all taken")


class _Stop(Exception):
    """A stop signal came in."""


def _raise_stop(number: int, frame: FrameType | None) -> None:
    raise _Stop(signal.Signals(number).name)


def serve(
    application: WSGIHandler,
    *,
    host: str,
    port: int,
    ready: Callable[[], None],
    threads: int = 8,
) -> None:
    """Serve until a stop signal; requests under way are answered, the dispatcher finishes.

    `ready` is called once the port is open, before the first request is answered.
    """
    server = waitress.create_server(
        application,
        host=host,
        port=port,
        threads=threads,
        max_request_body_size=settings.MOST_REQUEST_BYTES,
    )
    ready()
    stop = threading.Event()
    worker = threading.Thread(target=dispatcher.run_forever, args=[stop], name="dispatcher")
    signal.signal(signal.SIGTERM, _raise_stop)
    worker.start()
    try:
        server.run()
    except _Stop:
        pass
    finally:
        server.close()
        server.task_dispatcher.shutdown(cancel_pending=False, timeout=20)
        stop.set()
        doorbell.set()
        worker.join(timeout=20)
