"""Redis dies, is emptied, frozen, refuses: writes go on as fast, and alerts come without it.

Reliability plan, row 8. A Redis of its own, on a port of its own. Two controls: a request that
rings itself hangs with a frozen Redis, and a worker that does not stand in tells nobody.
"""

import signal
import statistics
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from django.db import connection

from donors.models import Donor
from tests.integration.faults.arriving import Arrivals
from tests.integration.faults.conftest import Waiting
from tests.integration.races.sizes import FULL, size
from tests.running import Running, until
from workshop.models import DispatcherPulse

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.redis,
    pytest.mark.xdist_group("faults"),
]

AWAY = 60  # seconds, at full counts
FAULTS = ["killed", "emptied", "frozen", "refusing"]


def harm(service: Running, fault: str) -> None:
    if fault == "killed" or fault == "refusing":
        service.kill("redis")
    elif fault == "frozen":
        service.signal("redis", signal.SIGSTOP)
    else:
        import redis

        redis.Redis(port=service.redis_port).flushall()


def mend(service: Running, fault: str) -> None:
    if fault == "frozen":
        service.signal("redis", signal.SIGCONT)
    elif fault in {"killed", "refusing"}:
        service.start_redis()


def lateness(waiting: Waiting, arrivals: Arrivals, *, seconds: float) -> float:
    """Send one machine in; return how long until it is told of."""
    ref = arrivals.send_one()
    return until(lambda: not waiting.missing([ref]), seconds=seconds, step=0.1)


@pytest.mark.parametrize("fault", FAULTS if FULL else ["frozen"])
def test_alerts_come_and_writes_stay_fast_while_redis_is_away(
    service: Running, waiting: Waiting, say: Callable[..., None], fault: str
) -> None:
    if connection.vendor == "sqlite":
        pytest.skip("Celery is for the scaled-out service, which has PostgreSQL")
    service.start_scaled_out()
    until(DispatcherPulse.objects.exists, seconds=60)
    arrivals = waiting.arrivals(service)
    lateness(waiting, arrivals, seconds=60)
    before = posts(arrivals, size(2, 100))
    harm(service, fault)
    begun = time.monotonic()
    late = [lateness(waiting, arrivals, seconds=60)]
    during = posts(arrivals, size(2, 100))
    while FULL and fault != "emptied" and time.monotonic() < begun + AWAY:
        late.append(lateness(waiting, arrivals, seconds=60))
        time.sleep(2)
    mend(service, fault)
    after = lateness(waiting, arrivals, seconds=60)
    until(lambda: not waiting.missing(arrivals.acknowledged), seconds=60)
    assert waiting.doubled() == 0
    say(fault=fault, latest_alert=f"{max(late):.1f} s", after_return=f"{after:.1f} s",
        post_p95_before=f"{before * 1000:.0f} ms", post_p95_during=f"{during * 1000:.0f} ms",
        arrivals=len(arrivals.acknowledged), lost=0)  # fmt: skip


def posts(arrivals: Arrivals, count: int) -> float:
    """Send machines in one by one; return the 95th percentile of a POST in seconds."""
    del arrivals.seconds[:]
    for _ in range(count):
        arrivals.send_one()
    ordered = sorted(arrivals.seconds)
    return statistics.quantiles(ordered, n=20)[-1] if len(ordered) > 1 else ordered[0]


@pytest.mark.parametrize("rings_itself", [False, True], ids=["", "control rings itself"])
def test_a_request_is_answered_while_redis_is_frozen(
    service: Running, waiting: Waiting, tmp_path: Path, rings_itself: bool
) -> None:
    """Known bad: the machine is taken in, and whoever sent it hears so once Redis is back."""
    if connection.vendor == "sqlite":
        pytest.skip("Celery is for the scaled-out service, which has PostgreSQL")
    rang = tmp_path / "rang"
    service.extra["RANG"] = str(rang)
    service.start_redis()
    site = "tests.integration.faults.ringing" if rings_itself else "config.wsgi"
    service.start_web(processes=1, application=site)
    arrivals = waiting.arrivals(service)
    replies: list[int] = []
    asking = threading.Thread(target=lambda: replies.append(arrivals._post("A-1")[0]))
    harm(service, "frozen")
    asking.start()
    if rings_itself:
        until(rang.exists)
        asking.join(5)
        assert not replies
        assert Donor.of(waiting.bench.workshop).filter(ref="A-1").exists()
    else:
        until(lambda: replies, seconds=30)
    mend(service, "frozen")
    asking.join(30)
    assert replies == [201]


def test_control_without_standing_in_nobody_is_told_while_redis_is_frozen(
    service: Running, waiting: Waiting
) -> None:
    if connection.vendor == "sqlite" or not FULL:
        pytest.skip("Celery, PostgreSQL, at full counts only: it waits for what never comes")
    service.extra["NO_STANDING_IN"] = "1"
    service.start_scaled_out()
    until(DispatcherPulse.objects.exists, seconds=60)
    arrivals = waiting.arrivals(service)
    lateness(waiting, arrivals, seconds=60)
    harm(service, "frozen")
    with pytest.raises(TimeoutError):
        lateness(waiting, arrivals, seconds=45)
    mend(service, "frozen")
