"""What was lost is found by one sweep, and five sweeps at once tell nobody twice.

Reliability plan, row 9. With RACES=full 10,000 open jobs and 2,000 donors, of which 100 alerts and
100 events are deleted. The control: without the repair all of it stays lost.
"""

import random
import time
from collections.abc import Iterator

import pytest
from django.utils import timezone

from matching.models import Alert, Need
from tests.factories import Bench, make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size
from workshop import dispatcher
from workshop.models import OutboxEvent

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("races")]

JOBS, DONORS, LOST = size(12, 10_000), size(8, 2_000), size(4, 100)
KINDS = ["control-board", "drain-pump", "inlet-valve", "door-lock", "heater"]


def models() -> Iterator[str]:
    """Yield model numbers of many families, by turns."""
    families = [f"{letter}{digit}" for letter in "WKBTR" for digit in range(10)]
    while True:
        yield from (f"{family}-60 R1 W" for family in families[: size(2, 50)])


def told(bench: Bench) -> set[tuple[object, ...]]:
    rows = Alert.of(bench.workshop).filter(news="found")
    return set(rows.values_list("recipient", "arrival", "need"))


def test_one_sweep_finds_all_that_was_lost(race: Race) -> None:
    bench, rng = make_bench("millrace"), random.Random(9)
    job_models, donor_models = models(), models()
    for number in range(JOBS):
        bench.job(next(job_models), KINDS[number % 5], technician=bench.technician)
    bench.drain()
    for _ in range(DONORS):
        bench.donor(next(donor_models))
    bench.drain()

    # Alerts of what came in; then machines and jobs whose events never reach a dispatcher.
    came_in = list(Alert.of(bench.workshop).filter(news="found"))
    lost = rng.sample(came_in, min(LOST, len(came_in)))
    before = told(bench)
    Alert.of(bench.workshop).filter(pk__in=[one.pk for one in lost]).delete()
    unheard = [bench.donor(next(donor_models)).arrival for _ in range(LOST // 2)]
    unread = [
        bench.job(next(job_models), KINDS[number % 5], technician=bench.technician).needs.get().pk
        for number in range(LOST - LOST // 2)
    ]
    gone = OutboxEvent.objects.unscoped().filter(done_at__isnull=True)
    gone.filter(kind__in=["donors.donor-received", "matching.needs-opened"]).delete()
    bench.drain()
    # The control: as long as nobody sweeps, all of it is lost.
    assert len(before - told(bench)) == len(lost)
    assert not {arrival for _, arrival, _ in told(bench)} & set(unheard)
    assert Need.of(bench.workshop).filter(pk__in=unread, searched_at=None).count() == len(unread)

    begun = time.monotonic()
    swept = dispatcher.sweep(now=timezone.now())
    bench.drain()
    took = time.monotonic() - begun
    assert swept.failed == 0
    assert before <= told(bench)
    assert {arrival for _, arrival, _ in told(bench)} >= set(unheard)
    assert not Need.of(bench.workshop).filter(pk__in=unread, searched_at=None).exists()

    after = Alert.of(bench.workshop).count()
    race([{"task": "sweep_and_drain"}] * 5)
    assert Alert.of(bench.workshop).count() == after
    print(
        f"\n[row 9] {JOBS} jobs, {DONORS} donors: {len(lost)} alerts, {LOST} events deleted, all "
        f"repaired in {took:.1f} s; five sweeps at once added 0"
    )
