"""Send to an address a member typed in, so that it cannot reach inside (SSRF).

The name is looked up once, every answer is judged, and the very address that was judged is
dialled: a name that changes between two look-ups changes nothing. Redirects are not followed,
the answer's body is not read, and the whole takes no longer than it is given.
"""

import http.client
import socket
import ssl
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.conf import settings

from workshop.domain import web_addresses
from workshop.domain.refusals import ValueRefused
from workshop.domain.web_addresses import Target

PORTS = frozenset({443, 8443})
LOOPBACK = "127.0.0.1"

Resolve = Callable[..., list[Any]]


@dataclass(frozen=True)
class Answer:
    """What a receiver answered: its status, and how many seconds it asks to be left alone."""

    status: int
    retry_after: int = 0


class Refused(Exception):
    """Nothing was sent: the address leads where we do not send."""


def read_target(url: str) -> Target:
    """Return what an address says, by its text alone. Raises ValueRefused."""
    loopback = bool(settings.WEBHOOKS_TO_LOOPBACK)
    return web_addresses.read_target(url, ports=PORTS, loopback=loopback)


def resolve(target: Target, *, look_up: Resolve | None = None) -> str:
    """Return the one IP address to dial. Raises Refused when any answer is not public.

    look_up: like socket.getaddrinfo, which it is unless a test says otherwise.
    """
    if target.host == LOOPBACK and settings.WEBHOOKS_TO_LOOPBACK:
        return LOOPBACK
    try:
        answers = (look_up or socket.getaddrinfo)(target.host, target.port, type=socket.SOCK_STREAM)
    except OSError as bad:
        raise Refused(f"The name {target.host} was not found.") from bad
    addresses = [str(answer[4][0]) for answer in answers]
    if not addresses:
        raise Refused(f"The name {target.host} was not found.")
    for address in addresses:
        why = web_addresses.why_not_public(address)
        if why:
            raise Refused(f"{target.host} leads to {address} ({why}); nothing was sent there.")
    return addresses[0]


class _Pinned(http.client.HTTPConnection):
    """Dials the address it is given; the host's name serves for TLS and the Host header only."""

    def __init__(self, target: Target, address: str, seconds: float) -> None:
        super().__init__(target.host, target.port, timeout=seconds)
        self.target, self.address = target, address
        self.too_slow = False
        # So that the Host header leaves the port out where it is the usual one.
        self.default_port = 443 if target.scheme == "https" else 80  # type: ignore[misc]

    def connect(self) -> None:
        sock = socket.create_connection((self.address, self.port), self.timeout)
        if self.target.scheme == "https":
            context = ssl.create_default_context()
            sock = context.wrap_socket(sock, server_hostname=self.target.host)
        self.sock = sock


def post(
    url: str,
    body: bytes,
    headers: Mapping[str, str],
    *,
    seconds: float,
    look_up: Resolve | None = None,
) -> Answer:
    """POST the body and return what the receiver answered with.

    Raises Refused when nothing may be sent there, TimeoutError when the receiver is too slow,
    OSError or http.client.HTTPException when it cannot be reached or talks no HTTP.
    """
    try:
        target = read_target(url)
    except ValueRefused as bad:
        raise Refused(f"The address {bad.fields['url']}.") from bad
    link = _Pinned(target, resolve(target, look_up=look_up), seconds)
    # A receiver that sends a byte now and then would outlast every timeout of a single read.
    watch = threading.Timer(seconds, _cut, [link])
    watch.daemon = True
    watch.start()
    try:
        answer = _answer_of(link, target, body, headers)
    except (OSError, http.client.HTTPException) as bad:
        if link.too_slow:
            raise TimeoutError from bad
        raise
    finally:
        watch.cancel()
        link.close()
    if link.too_slow:  # headers cut short look whole
        raise TimeoutError
    return answer


def _answer_of(link: _Pinned, target: Target, body: bytes, headers: Mapping[str, str]) -> Answer:
    link.request("POST", target.path, body=body, headers=dict(headers))
    answer = link.getresponse()
    wait = answer.getheader("Retry-After", "").strip()
    # A wait as long as this is cut to what we allow anyway.
    return Answer(answer.status, int(wait) if wait.isdecimal() and len(wait) < 8 else 0)


def _cut(link: _Pinned) -> None:
    link.too_slow = True
    sock = link.sock
    if sock is not None:
        try:
            sock.shutdown(socket.SHUT_RDWR)
        except OSError:
            return
