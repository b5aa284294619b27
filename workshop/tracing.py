"""The id that joins a request to what it caused: web, outbox, dispatcher, log lines.

It is no secret and gives no right; it only says which lines belong together.
"""

import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

LONGEST = 64
SANE = re.compile(r"[A-Za-z0-9._-]{8,64}", re.ASCII)
_current: ContextVar[str] = ContextVar("request_id", default="")


def current() -> str:
    """Return the id this thread works under; "" outside of any request or event."""
    return _current.get()


def made() -> str:
    """Return a new id."""
    return uuid.uuid4().hex


def accepted(stated: str | None) -> str:
    """Return the id a client states when it is sane (8 to 64 of A-Z a-z 0-9 . _ -), else a new one.

    Anything else could break a log line, a header or a column.
    """
    return stated if stated and SANE.fullmatch(stated) else made()


@contextmanager
def following(request_id: str) -> Iterator[str]:
    """Work under this id; what is recorded and logged meanwhile carries it."""
    before = _current.set(request_id)
    try:
        yield request_id
    finally:
        _current.reset(before)
