"""Where racers start: one process that has imported all there is, and forks one for each order.

To start a process and import everything takes seconds, most of what a race used to take. Each
racer is a process of its own all the same, with connections of its own: none is open here.
"""

import json
import os
import random
import select
import signal
import subprocess
import sys
import traceback
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from tests.integration.races.sizes import PATIENCE


class StartingBlock:
    """The process racers are forked from, seen from the test."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.integration.races.starting"],
            env=dict(environment),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,  # a line at a time, so that waiting for the next one is seen
            start_new_session=True,
        )
        self.racers: list[int] = []

    def race(self, folder: Path, orders: Sequence[Mapping[str, Any]]) -> list[int]:
        """Run the orders at once. Returns their exit statuses; raises TimeoutError when hung.

        What each printed is left in out-N and err-N of the folder.
        """
        said = json.dumps({"folder": str(folder), "orders": list(orders)})
        assert self.process.stdin is not None
        self.process.stdin.write(said.encode() + b"\n")
        self.racers = json.loads(self._line(60))
        statuses: list[int] = json.loads(self._line(PATIENCE))
        self.racers = []
        return statuses

    def _line(self, seconds: float) -> bytes:
        assert self.process.stdout is not None
        ready, _, _ = select.select([self.process.stdout], [], [], seconds)
        if not ready:
            raise TimeoutError(f"the racers have not ended within {seconds} s")
        line: bytes = self.process.stdout.readline()
        return line

    def kill_racers(self) -> None:
        """End what a failed test left running, and read what is then said of it."""
        if self.racers:
            for pid in self.racers:
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            self._line(60)
            self.racers = []

    def end(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(30)


def serve() -> None:
    """Fork a racer for each order that is read; say their ids, then how they ended."""
    from tests.integration.races import workers

    for line in sys.stdin:
        said = json.loads(line)
        pids = [
            fork(workers.run, Path(said["folder"]), number, order)
            for number, order in enumerate(said["orders"])
        ]
        print(json.dumps(pids), flush=True)
        statuses = [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids]
        print(json.dumps(statuses), flush=True)


def fork(run: Any, folder: Path, number: int, order: dict[str, Any]) -> int:
    pid = os.fork()
    if pid:
        return pid
    status = 1
    try:
        for stream, name in ((1, "out"), (2, "err")):
            to = os.open(folder / f"{name}-{number}", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(to, stream)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        random.seed()
        os.environ["RACER"] = str(number)
        run(order)
        status = 0
    except BaseException:
        traceback.print_exc()
    finally:
        with suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(status)


if __name__ == "__main__":
    serve()
