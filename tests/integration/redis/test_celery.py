"""The scaled-out service: the same dispatcher, rung by Celery over Redis."""

import os
import subprocess
import sys
import time

import pytest
import redis

from matching.models import Alert
from tests.factories import Bench, make_bench
from tests.integration.races.conftest import database_url

REDIS = os.environ.get("TEST_REDIS_URL", "")

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.redis,
    pytest.mark.xdist_group("redis"),
    pytest.mark.skipif(not REDIS, reason="Redis does not answer (tests/run.py says why)"),
]


@pytest.fixture
def worker():
    """A Celery worker with its own beat, on the test database."""
    redis.Redis.from_url(REDIS).flushdb()
    environment = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "config.settings.test",
        "TEST_DATABASE_URL": database_url(),
        "REDIS_URL": REDIS,
    }
    command = [sys.executable, "-m", "celery", "-A", "config.celery", "worker", "--beat"]
    quiet = ["--schedule", ":memory:", "--concurrency", "1", "--loglevel", "ERROR"]
    quiet[1] = os.path.join(os.environ.get("TMPDIR", "/tmp"), f"beat-{os.getpid()}")
    process = subprocess.Popen(
        [*command, *quiet], env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    yield process
    process.terminate()
    try:
        process.wait(timeout=30)
    except subprocess.TimeoutExpired:
        process.kill()


def wait_for_alerts(count: int, seconds: float = 45) -> int:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if Alert.objects.unscoped().count() >= count:
            break
        time.sleep(0.2)
    return Alert.objects.unscoped().count()


def tell(bench: Bench) -> None:
    bench.need("W7-60 R1 W")
    bench.donor("W7-60 R1 W")


def test_an_arrival_reaches_the_inbox_through_the_worker(worker) -> None:
    tell(make_bench("millrace"))
    assert wait_for_alerts(1) == 1


def test_what_was_in_redis_may_be_lost_and_nothing_is(worker) -> None:
    bench = make_bench("millrace")
    for _ in range(3):
        tell(bench)
        redis.Redis.from_url(REDIS).flushdb()
    # Three donors, three needs of the same model: each donor is told of every need that waits.
    needs = wait_for_alerts(6)
    assert needs >= 6
    keys = list(Alert.objects.unscoped().values_list("recipient", "arrival", "need"))
    assert len(keys) == len(set(keys))
