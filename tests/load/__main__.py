"""Start the service, fill it, drive it, say what was measured: `make load`, or

    python -m tests.load [--embedded] [--parts N] [--workshops N] [--rate N] [--seconds N]

Scaled out it needs a PostgreSQL server (LOAD_POSTGRES_URL, else TEST_POSTGRES_URL; a database
of that name and `_load` is made anew) and redis-server; `--embedded` needs neither. `--keep`
uses what an earlier run filled. No figure decides anything; the exit status is 1 only where
requests failed or an alert never came.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from urllib.parse import urlsplit

from tests.load.usage import Usage
from tests.running import KEY, PYTHON, ROOT, Running, running

POSTGRES = os.environ.get("LOAD_POSTGRES_URL") or os.environ.get(
    "TEST_POSTGRES_URL", "postgres://postgres@127.0.0.1:5432/test"
)


def main() -> int:
    asked = _asked()
    # Asked to end, it ends what it started: an exception, and not Python's default, sees to it.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    folder = Path(asked.folder or tempfile.gettempdir()) / (
        "load-embedded" if asked.embedded else "load"
    )
    if not asked.keep:
        shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(exist_ok=True)
    address = f"sqlite:///{folder / 'load.sqlite3'}" if asked.embedded else _database(asked.keep)
    with running(address, folder) as service:
        _use(service)
        return _measure(service, asked)


def _asked() -> argparse.Namespace:
    said = argparse.ArgumentParser(prog="python -m tests.load")
    said.add_argument("--embedded", action="store_true", help="SQLite, all in one process")
    said.add_argument("--parts", type=int, default=1_000_000)
    said.add_argument("--workshops", type=int, default=0, help="default: one for 5,000 parts")
    said.add_argument("--rate", type=float, default=50.0, help="requests a second")
    said.add_argument("--seconds", type=float, default=120.0)
    said.add_argument("--warm", type=float, default=10.0, help="seconds before it is counted")
    said.add_argument("--folder", default="")
    said.add_argument("--keep", action="store_true", help="use what an earlier run filled")
    found = said.parse_args()
    found.workshops = found.workshops or max(1, found.parts // 5_000)
    return found


def _database(keep: bool) -> str:
    """Make the database anew beside the one named; return its address."""
    import psycopg

    parts = urlsplit(POSTGRES)
    name = f"{parts.path.lstrip('/')}_load"
    with psycopg.connect(POSTGRES, autocommit=True) as link:
        there = link.execute("SELECT 1 FROM pg_database WHERE datname = %s", [name]).fetchone()
        if not (there and keep):
            link.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
            link.execute(f'CREATE DATABASE "{name}"')
    return parts._replace(path=f"/{name}").geturl()


def _use(service: Running) -> None:
    """Let this process use the same database as the service."""
    os.environ |= {**service.environment, "SECRET_KEY": KEY, "REDIS_URL": ""}
    import django

    django.setup()


def _measure(service: Running, asked: argparse.Namespace) -> int:
    from tests.load import driving, shops, world

    load = os.getloadavg()
    manage = [PYTHON, "manage.py", "migrate", "--verbosity", "0"]
    subprocess.run(manage, cwd=ROOT, env=service.environment, check=True)
    if not asked.keep or not shops.any_there():
        took = world.fill(parts=asked.parts, workshops=asked.workshops)
        print("filled in", {what: f"{seconds:.0f} s" for what, seconds in took.items()}, flush=True)
        begun = time.perf_counter()
        world.warm_lookup()
        print(f"number indexes written in {time.perf_counter() - begun:.0f} s", flush=True)
    print(shops.sizes(), flush=True)
    static = [PYTHON, "manage.py", "collectstatic", "--no-input", "--verbosity", "0"]
    subprocess.run(static, cwd=ROOT, env=service.environment, check=True)
    _start(service, embedded=asked.embedded)
    drive = driving.Drive(service, shops.read_all(random.Random(5)), asked.rate, asked.warm)
    drive.run()  # not counted: first questions of each process
    usage = Usage.begin(service)
    drive = driving.Drive(service, drive.shops, asked.rate, asked.seconds, seed=11)
    drive.run()
    print(driving.table(drive))
    print(usage.end(), f"load average before {load[0]:.1f}, after {os.getloadavg()[0]:.1f}")
    print("open events left:", shops.open_events())
    failed = [one for one in drive.seen if one.status not in {200, 201}]
    for (what, status, said), count in Counter(
        (one.what, one.status, one.said[:160]) for one in failed
    ).most_common(8):
        print(count, what, status, said)
    return 1 if drive.never or any(one.status in {0, *range(500, 600)} for one in failed) else 0


def _start(service: Running, *, embedded: bool) -> None:
    if embedded:
        service.start_embedded()
        return
    service.start_redis()
    service.start_web()
    service.start_worker()
    service.start_beat()


if __name__ == "__main__":
    sys.exit(main())
