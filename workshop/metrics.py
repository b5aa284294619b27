"""Figures for a Prometheus server, in its text format.

Latencies are counted in this process; where PROMETHEUS_MULTIPROC_DIR is set (gunicorn.conf.py
does) all web processes share files there and any of them answers for all. Everything about the
work is read from the database at the scrape, so one process answers for every dispatcher too.
"""

import os
from collections.abc import Iterator
from datetime import datetime

from prometheus_client import CollectorRegistry, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.multiprocess import MultiProcessCollector

from workshop import health

CONTENT_TYPE = CONTENT_TYPE_LATEST
METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}
# Seconds; the plan's limits for reads (.05, .06) and writes (.25) are bounds of a bucket.
BUCKETS = (0.005, 0.01, 0.025, 0.05, 0.06, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)

_requests = Histogram(
    "workshop_request_seconds",
    "Seconds from a request to its reply, by view (route name), method and class of status.",
    ("view", "method", "status"),
    buckets=BUCKETS,
    registry=None,
)
patient = health.Patient(health.read_work)


def count_request(*, view: str, method: str, status: int, seconds: float) -> None:
    """Count one answered request. Labels are bounded: routes, known methods, five classes."""
    _requests.labels(view, method if method in METHODS else "other", f"{status // 100}xx").observe(
        seconds
    )


def exposition(*, now: datetime) -> bytes:
    """Return all figures as text. A silent database costs two seconds and says database_up 0."""
    registry = CollectorRegistry()
    if os.environ.get("PROMETHEUS_MULTIPROC_DIR"):
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    else:
        registry.register(_requests)
    registry.register(_OfTheWork(patient.ask(), now))
    return generate_latest(registry)


class _OfTheWork:
    """The figures of one look into the database. What is not known is left out, never 0."""

    def __init__(self, work: health.Work | None, now: datetime) -> None:
        self.work, self.now = work, now

    def collect(self) -> Iterator[Metric]:
        yield _gauge("workshop_database_up", "1 when the database answered.", int(bool(self.work)))
        if self.work is not None:
            yield from _of_events(self.work, self.now)
            yield from _of_dispatchers(self.work, self.now)


def _of_events(work: health.Work, now: datetime) -> Iterator[Metric]:
    yield _gauge("workshop_open_events", "Events not acted on yet.", work.open_events)
    yield _gauge(
        "workshop_oldest_undelivered_seconds",
        "Age of the oldest news not acted on yet; 0 when there is none.",
        health.age(work.oldest_recorded, now) or 0.0,
    )
    yield _gauge(
        "workshop_oldest_background_seconds",
        "Age of the oldest event that waits behind news; 0 when there is none.",
        health.age(work.oldest_background, now) or 0.0,
    )
    yield _gauge("workshop_dead_letters", "Events given up on.", work.dead_letters)


def _of_dispatchers(work: health.Work, now: datetime) -> Iterator[Metric]:
    swept = health.age(work.swept_at, now)
    if swept is not None:
        yield _gauge("workshop_sweep_age_seconds", "Seconds since the last sweep ended.", swept)
        yield _gauge(
            "workshop_sweep_failed_repairs",
            "Repairs that failed in the last sweep.",
            work.sweep_failures,
        )
    ages = [health.age(at, now) or 0.0 for at in work.beats.values()]
    if ages:
        yield _gauge(
            "workshop_dispatcher_beat_age_seconds",
            "Seconds since any dispatcher said it was alive.",
            min(ages),
        )
    yield _gauge(
        "workshop_dispatchers_alive",
        "Dispatchers that said so within a minute.",
        sum(one <= 60 for one in ages),
    )


def _gauge(name: str, said: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, said, value=value)
