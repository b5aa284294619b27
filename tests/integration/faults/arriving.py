"""A client that sends machines in until each is acknowledged, as a careful one does.

Each request carries an Idempotency-Key; where no answer comes, the same request is sent again.
"""

import http.client
import itertools
import json
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime

from tests.integration.races.sizes import size
from tests.running import Running

MODEL = "W7-60 R1 W"


@dataclass
class Arrivals:
    """Machines under way to a service, and which were acknowledged."""

    service: Running
    token: str
    prefix: str = "A"
    port: int = 0
    acknowledged: list[str] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    retries: int = 0
    cut: list[tuple[str, datetime]] = field(default_factory=list)  # sent, and no answer came
    keyed: bool = True  # False: the known-bad client, with another key for each try and no name
    stop: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.tries = itertools.count()
        self.numbers = itertools.count(1)
        self.lock = threading.Lock()

    def send_one(self, *, patience: float = size(90, 900)) -> str:
        """Send one machine until it is acknowledged; returns its reference."""
        with self.lock:
            ref = f"{self.prefix}-{next(self.numbers)}"
        begun = time.monotonic()
        while time.monotonic() < begun + patience:
            asked = time.monotonic()
            status, body = self._post(ref)
            if status == 201:
                with self.lock:
                    self.acknowledged.append(ref)
                    self.seconds.append(time.monotonic() - asked)
                return ref
            if 400 <= status < 500:
                with self.lock:
                    self.refused.append(f"{status} {body[:200]!r}")
                return ""
            with self.lock:
                self.retries += 1
            time.sleep(0.1)
        raise TimeoutError(f"{ref} was not taken within {patience} s")

    def _post(self, ref: str) -> tuple[int, bytes]:
        plate = {"appliance": "washing-machine", "make": "Velthane", "model_number": MODEL}
        body = {**plate, "received_on": str(datetime.now(UTC).date())}
        body |= {"ref": ref} if self.keyed else {}
        headers = {
            "Authorization": f"Token {self.token}",
            "Content-Type": "application/json",
            "Idempotency-Key": f'"arrival-{ref}{self._unlike()}"',
        }
        port = self.port or self.service.port
        link = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        try:
            link.request("POST", "/api/v1/donors/", body=json.dumps(body), headers=headers)
        except OSError:
            link.close()
            return 0, b""
        try:
            answer = link.getresponse()
            return answer.status, answer.read()
        except (OSError, http.client.HTTPException):
            with self.lock:
                self.cut.append((ref, datetime.now(UTC)))
            return 0, b""
        finally:
            link.close()

    def _unlike(self) -> str:
        return "" if self.keyed else f"-{next(self.tries)}"

    def stream(self, count: int, *, threads: int = 3) -> list[threading.Thread]:
        """Begin to send `count` machines from several threads; they end by themselves."""
        left = itertools.count()

        def work() -> None:
            while next(left) < count and not self.stop.is_set():
                self.send_one()

        started = [
            threading.Thread(target=work, name="arrivals", daemon=True) for _ in range(threads)
        ]
        for one in started:
            one.start()
        return started
