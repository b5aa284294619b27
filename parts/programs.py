"""Programs that look at somebody's bytes in processes of their own (limited.py)."""

import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from threading import BoundedSemaphore
from typing import TYPE_CHECKING

from workshop.errors import Conflict

if TYPE_CHECKING:
    from collections.abc import Iterator

LIMITED = Path(__file__).with_name("limited.py")


class TooSlow(Exception):
    """The program was still at it when the patience ended."""


class Died(Exception):
    """The program ended without an answer: out of memory or time, or killed."""


class Places:
    """How many programs run beside each other in one server process."""

    def __init__(self, places: int, busy: str) -> None:
        self._free = BoundedSemaphore(places)
        self._busy = busy

    @contextmanager
    def one(self, patience_s: float) -> "Iterator[None]":
        """Hold a place. Raises Conflict when none becomes free in time."""
        if not self._free.acquire(timeout=patience_s):
            raise Conflict(self._busy)
        try:
            yield
        finally:
            self._free.release()


def run_apart(program: Path, data: bytes, *, patience_s: float) -> bytes:
    """Return what a program writes about the bytes. Raises TooSlow, Died.

    Isolated: it sees no settings, no secrets and nothing of the project.
    """
    kept = {name: os.environ[name] for name in ("PATH", "SYSTEMROOT") if name in os.environ}
    try:
        done = subprocess.run(
            [sys.executable, "-I", str(LIMITED), str(program)],
            input=data,
            capture_output=True,
            timeout=patience_s,
            env=kept,
            check=False,
        )
    except subprocess.TimeoutExpired as slow:
        raise TooSlow from slow
    if done.returncode:
        raise Died
    return done.stdout
