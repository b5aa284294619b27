"""The service in processes of its own on loopback: what load and fault tests start and harm.

Each process leads a group of its own, so that it can be killed with all it started, and is ended
by its id only.
"""

import http.client
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parent.parent
PYTHON = sys.executable
KEY = "only-for-tests-of-a-running-service-" + "0123456789abcdefghijklmnop"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def accepts(port: int) -> bool:
    with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False


def until(seen: object, *, seconds: float = 60, step: float = 0.05) -> float:
    """Call `seen` until it is true. Returns how many seconds that took; raises TimeoutError."""
    assert callable(seen)
    begun = time.monotonic()
    while not seen():
        if time.monotonic() - begun > seconds:
            raise TimeoutError(f"not within {seconds} s: {seen}")
        time.sleep(step)
    return time.monotonic() - begun


@dataclass
class Running:
    """Processes by name. database: an address as DATABASE_URL; folder: for logs and data."""

    database: str
    folder: Path
    extra: dict[str, str] = field(default_factory=dict)
    port: int = field(default_factory=free_port)
    redis_port: int = 0
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    commands: dict[str, Sequence[str]] = field(default_factory=dict)

    @property
    def environment(self) -> dict[str, str]:
        kept = {k: v for k, v in os.environ.items() if not k.startswith(("TEST_", "RACE"))}
        redis = f"redis://127.0.0.1:{self.redis_port}/0" if self.redis_port else ""
        return {
            **kept,
            "DJANGO_SETTINGS_MODULE": "config.settings.prod",
            "SECRET_KEY": KEY,
            "ALLOWED_HOSTS": "127.0.0.1",
            "SECURE_SSL_REDIRECT": "0",
            "DATABASE_URL": self.database,
            "REDIS_URL": redis,
            "DATA_DIR": str(self.folder / "data"),
            "WEB_BIND": f"127.0.0.1:{self.port}",
            "LOG_LEVEL": "WARNING",
            **self.extra,
        }

    def start(self, name: str, command: Sequence[str]) -> subprocess.Popen[bytes]:
        """Start a process under a name; what it writes is kept in the folder."""
        (self.folder / "data").mkdir(exist_ok=True, parents=True)
        self.commands[name] = command
        with (self.folder / f"{name}.log").open("ab") as written:
            process = subprocess.Popen(
                command,
                cwd=ROOT,
                env=self.environment,
                stdout=written,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        self.processes[name] = process
        return process

    def restart(self, name: str) -> None:
        self.start(name, self.commands[name])

    def signal(self, name: str, number: int) -> None:
        """Send a signal to a process and all it started."""
        with suppress(ProcessLookupError):
            os.killpg(self.processes[name].pid, number)

    def start_scaled_out(self) -> None:
        """Start Redis, a worker, beat and a web server, each with one process."""
        self.start_redis()
        self.start_worker(concurrency=1)
        self.start_beat()
        self.start_web(processes=1)

    def signal_one(self, name: str, number: int) -> None:
        """Signal a process, which tells its own; KILL, which it cannot pass on, goes to all."""
        if number == signal.SIGKILL:
            self.signal(name, number)
        else:
            self.processes[name].send_signal(number)

    def kill(self, name: str) -> None:
        self.signal(name, signal.SIGKILL)
        self.processes[name].wait()

    def end(self, name: str, *, seconds: float = 30) -> float:
        """Ask a process to end (TERM to itself alone). Returns how long it took."""
        begun = time.monotonic()
        self.processes[name].terminate()
        try:
            self.processes[name].wait(timeout=seconds)
        except subprocess.TimeoutExpired:
            self.kill(name)
        return time.monotonic() - begun

    def log(self, name: str) -> str:
        return (self.folder / f"{name}.log").read_text(encoding="utf-8", errors="replace")

    # What the service is made of.

    def start_redis(self) -> None:
        self.redis_port = self.redis_port or free_port()
        folder = self.folder / "redis"
        folder.mkdir(exist_ok=True)
        options = ["--port", str(self.redis_port), "--bind", "127.0.0.1", "--dir", str(folder)]
        kept = ["--appendonly", "yes", "--appendfsync", "everysec", "--save", ""]
        full = ["--maxmemory-policy", "noeviction"]
        self.start("redis", ["redis-server", *options, *kept, *full])
        until(lambda: accepts(self.redis_port), seconds=20)

    def start_web(
        self,
        *,
        processes: int = 2,
        threads: int = 4,
        wait: bool = True,
        application: str = "config.wsgi",
    ) -> None:
        self.extra |= {"WEB_PROCESSES": str(processes), "WEB_THREADS": str(threads)}
        self.start("web", [PYTHON, "-m", "gunicorn", application])
        if wait:
            self.await_web()

    def start_embedded(self) -> None:
        """Start site, dispatcher and database in one process, as one workshop has it."""
        host = ["--host", "127.0.0.1", "--port", str(self.port)]
        self.start("web", [PYTHON, "manage.py", "serve", *host])
        self.await_web()

    def await_web(self, seconds: float = 60) -> float:
        return until(self.alive, seconds=seconds)

    def start_dispatcher(self, name: str = "dispatcher") -> None:
        self.start(name, [PYTHON, "manage.py", "dispatch"])

    def start_worker(self, name: str = "worker", *, concurrency: int = 2) -> None:
        celery = [PYTHON, "-m", "celery", "-A", "config.celery", "worker"]
        own = ["--concurrency", str(concurrency), "--hostname", f"{name}@127.0.0.1"]
        self.start(name, [*celery, *own])

    def start_beat(self, name: str = "beat") -> None:
        celery = [PYTHON, "-m", "celery", "-A", "config.celery", "beat"]
        self.start(name, [*celery, "--schedule", str(self.folder / f"{name}-schedule")])

    def alive(self) -> bool:
        with suppress(OSError, http.client.HTTPException):
            return self.ask("GET", "/livez", timeout=2)[0] == 200
        return False

    def ask(
        self,
        method: str,
        path: str,
        *,
        body: bytes | None = None,
        headers: dict[str, str] | None = None,
        timeout: float = 30,
    ) -> tuple[int, bytes]:
        """Make one request on a connection of its own. Returns status and body."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout)
        try:
            link.request(method, path, body=body, headers=headers or {})
            answer = link.getresponse()
            return answer.status, answer.read()
        finally:
            link.close()

    def stop(self) -> None:
        """End all: by TERM, then by KILL with all they started."""
        for process in self.processes.values():
            if process.poll() is None:
                with suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGCONT)
                    process.terminate()
        deadline = time.monotonic() + 15
        for name, process in self.processes.items():
            with suppress(subprocess.TimeoutExpired):
                process.wait(timeout=max(0.1, deadline - time.monotonic()))
            self.signal(name, signal.SIGKILL)
            process.wait()


@contextmanager
def running(database: str, folder: Path, **extra: str) -> Iterator[Running]:
    """Hand out a service on a database; whatever was started is ended afterwards."""
    service = Running(database, folder, dict(extra))
    try:
        yield service
    finally:
        service.stop()
        shutil.rmtree(folder / "redis", ignore_errors=True)
