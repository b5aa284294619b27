"""A small TCP proxy on loopback that cuts connections at chosen moments.

`sees` is asked of every piece of bytes before it is passed on, with the way it goes ("up": to the
server); it answers "pass", "cut" (drop it, cut both ends) or "pass, then cut".
"""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

Sees = Callable[[bytes, str], str]
PASS, CUT, PASS_THEN_CUT = "pass", "cut", "pass, then cut"


@dataclass
class Proxy:
    """Where it listens, and what it does with what it sees."""

    to: int
    sees: Sees
    port: int = 0
    cuts: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def serve(self, listener: socket.socket) -> None:
        while True:
            try:
                near, _ = listener.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(("127.0.0.1", self.to), timeout=30)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            for source, sink, way in ((near, far, "up"), (far, near, "down")):
                args = (source, sink, way)
                threading.Thread(target=self._pipe, args=args, daemon=True).start()

    def _pipe(self, source: socket.socket, sink: socket.socket, way: str) -> None:
        with suppress(OSError):
            while piece := source.recv(65536):
                said = self.sees(piece, way)
                if said != CUT:
                    sink.sendall(piece)
                if said != PASS:
                    with self.lock:
                        self.cuts += 1
                    break
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()


@contextmanager
def proxying(to: int, sees: Sees) -> Iterator[Proxy]:
    """Hand out a proxy to a port on this machine."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        proxy = Proxy(to, sees, listener.getsockname()[1])
        threading.Thread(target=proxy.serve, args=[listener], daemon=True).start()
        yield proxy
