"""A receiver of webhooks on loopback that behaves as a test asks, and notes what came."""

import contextlib
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

OK = b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n"


@dataclass
class Receiver:
    """How it answers (raw bytes, or a function of the connection), and what it got."""

    url: str = ""
    answer: Any = OK
    got: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def ids(self) -> list[str]:
        return [headers["webhook-id"] for _, headers, _ in self.got]


@contextlib.contextmanager
def receiving() -> Iterator[Receiver]:
    receiver = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            headers = {name.lower(): value for name, value in self.headers.items()}
            receiver.got.append((self.path, headers, body))
            self.close_connection = True
            with contextlib.suppress(OSError):
                if callable(receiver.answer):
                    receiver.answer(self.connection)
                else:
                    self.connection.sendall(receiver.answer)

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    receiver.url = f"http://127.0.0.1:{server.server_address[1]}/alerts"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield receiver
    finally:
        receiver.stop.set()
        server.shutdown()
        server.server_close()
        thread.join()


def dripping(stop: threading.Event, *, endless: bytes) -> Any:
    """Return an answer that sends these bytes now and then for ever."""

    def drip(connection: socket.socket) -> None:
        connection.sendall(b"HTTP/1.1 200 OK\r\n")
        while not stop.wait(0.02):
            connection.sendall(endless)

    return drip
