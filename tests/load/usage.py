"""Who used the processors: seconds of work by process, read from /proc where there is one."""

import os
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

from tests.running import Running

PROC = Path("/proc")


@dataclass
class Usage:
    """Seconds of processor by name since a moment."""

    groups: dict[int, str]
    before: dict[str, float]
    idle: float
    at: float

    @classmethod
    def begin(cls, service: Running) -> "Usage":
        groups = {process.pid: name for name, process in service.processes.items()}
        groups[os.getpgrp()] = "driver"
        return cls(groups, _by_name(groups), _idle(), time.monotonic())

    def end(self) -> str:
        """Return in a sentence what each used, in processors (1.0: one core all the time)."""
        wall = time.monotonic() - self.at
        now = _by_name(self.groups)
        used = {name: (now[name] - self.before.get(name, 0.0)) / wall for name in sorted(now)}
        busy = (os.cpu_count() or 1) - (_idle() - self.idle) / wall
        said = ", ".join(f"{name} {cores:.2f}" for name, cores in used.items())
        return f"cores used: {said}; all work on this machine {busy:.2f} of {os.cpu_count()}."


def _by_name(groups: dict[int, str]) -> dict[str, float]:
    tick = os.sysconf("SC_CLK_TCK")
    found: dict[str, float] = defaultdict(float)
    for entry in PROC.glob("[0-9]*/stat"):
        try:
            name, fields = entry.read_text().rsplit(")", 1)
        except OSError:  # ended meanwhile
            continue
        values = fields.split()
        group, seconds = int(values[2]), (int(values[11]) + int(values[12])) / tick
        if group in groups:
            found[groups[group]] += seconds
        elif "(postgres" in name:
            found["PostgreSQL (all databases)"] += seconds
    return found


def _idle() -> float:
    try:
        line = (PROC / "stat").read_text().split("\n", 1)[0].split()
    except OSError:
        return 0.0
    return (int(line[4]) + int(line[5])) / os.sysconf("SC_CLK_TCK")
