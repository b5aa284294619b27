"""A bench on the database under test, and the service in processes of its own on it."""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone

from donors.models import Donor
from matching.models import Alert, Need
from tests.factories import Bench, make_bench
from tests.integration.faults.arriving import Arrivals
from tests.integration.races.conftest import database_url
from tests.running import Running, running
from workshop.models import OutboxEvent


@pytest.fixture
def service(transactional_db: None, tmp_path: Path) -> Iterator[Running]:
    with running(database_url(), tmp_path, PYTHONWARNINGS="ignore") as found:
        yield found


@dataclass
class Waiting:
    """A workshop with one need that every machine sent in may serve."""

    bench: Bench
    need: Need
    token: str
    sent: list[Arrivals] = field(default_factory=list)

    def arrivals(self, service: Running, **values: Any) -> Arrivals:
        self.sent.append(Arrivals(service, self.token, **values))
        return self.sent[-1]

    def missing(self, refs: list[str]) -> set[str]:
        """Return which acknowledged machines are not there, or nobody was told of."""
        told = set(
            Alert.of(self.bench.workshop)
            .filter(news="found", need=self.need)
            .values_list("part__donor__ref", flat=True)
        )
        return set(refs) - told

    def dropped(self, arrivals: Arrivals) -> int:
        """Count requests that were acted on and whose reply never came.

        A connection that was cut while it waited to be taken had no effect: it is no reply lost.
        """
        done = dict(Donor.of(self.bench.workshop).values_list("ref", "recorded_at"))
        first: dict[str, datetime] = {}
        for ref, cut_at in arrivals.cut:
            first.setdefault(ref, cut_at)
        return sum(ref in done and done[ref] < cut_at for ref, cut_at in first.items())

    def doubled(self) -> int:
        """Count machines taken in twice and inbox rows told twice."""
        rows = Alert.of(self.bench.workshop).filter(news="found")
        keys = list(rows.values_list("recipient", "arrival", "need"))
        refs = list(Donor.of(self.bench.workshop).values_list("ref", flat=True))
        return len(keys) - len(set(keys)) + len(refs) - len(set(refs))


@pytest.fixture
def waiting(transactional_db: None) -> Iterator[Waiting]:
    """Fails when one was refused: where no machine is taken in none is lost, and sent again it
    is the same reply, never "there already".
    """
    bench = make_bench("millrace")
    need = bench.need("W7-60 R1 W", technician=bench.technician)
    bench.drain()
    _, token = bench.api_token(role="owner")
    found = Waiting(bench, need, token)
    yield found
    assert [said for one in found.sent for said in one.refused] == []


def open_events() -> int:
    rows = OutboxEvent.objects.unscoped()
    return int(rows.filter(done_at__isnull=True, dead_at__isnull=True).count())


def drained(seconds: float = 120) -> float:
    """Wait until no event is open. Returns how long that took."""
    begun = time.monotonic()
    while open_events():
        if time.monotonic() > begun + seconds:
            raise TimeoutError(f"{open_events()} events still open after {seconds} s")
        time.sleep(0.1)
    return time.monotonic() - begun


@pytest.fixture
def say(request: pytest.FixtureRequest) -> Callable[..., None]:
    """Print a measured figure, shown by `make faults` (pytest -s)."""

    def tell(**figures: Any) -> None:
        shown = ", ".join(f"{name} {value}" for name, value in figures.items())
        print(f"\n[{request.node.name}] {shown} ({timezone.now():%H:%M:%S})", flush=True)

    return tell
