"""How long a triage and its page take, and a sweep over many open jobs.

    python -m pytest tests/speed/test_triage_speed.py -m speed -s

A workshop of 60 donors and 60 waiting jobs of one family. No figure decides a test.
"""

import statistics
import time
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from matching import reminders, triaging
from matching.domain.triage import options
from matching.models import Job
from matching.services import NeedFacts
from matching.triage_situation import weigh
from tests.factories import NOW, TODAY, Bench

pytestmark = [pytest.mark.speed, pytest.mark.django_db]
KINDS = ("control-board", "drain-pump", "inlet-valve", "door-lock", "heater")
DONORS = JOBS = 60
OPEN_JOBS, DUE = 100_000, 500


def filled(bench: Bench) -> list[Job]:
    for number in range(DONORS):
        bench.donor("W7-60 R1 W", received_on=TODAY - timedelta(days=5 + 10 * number))
    jobs = [
        bench.job(
            "W7-60 R1 S",
            needs=[NeedFacts(kind=kind) for kind in KINDS[: 1 + number % 2]],
            opened_on=TODAY - timedelta(days=number % 20),
        )
        for number in range(JOBS)
    ]
    bench.drain()
    return jobs


def test_a_triage_and_its_page(bench: Bench) -> None:
    jobs = filled(bench)
    client = Client()
    client.force_login(bench.technician.user)
    spent: dict[str, list[float]] = {"situation": [], "decision": [], "page": [], "job page": []}
    for job in jobs[:20]:
        for cache in (options.ranked, options._odds_of_waiting):
            cache.cache_clear()
        start = time.perf_counter()
        found = weigh(bench.workshop, job.ref, on=TODAY)
        middle = time.perf_counter()
        triaging.decide_weighed(bench.workshop, found)
        spent["situation"].append(middle - start)
        spent["decision"].append(time.perf_counter() - middle)
        for name, route in (("page", "job-triage"), ("job page", "job")):
            options.ranked.cache_clear()
            start = time.perf_counter()
            assert client.get(reverse(route, args=[job.ref])).status_code == 200
            spent[name].append(time.perf_counter() - start)
    with CaptureQueriesContext(connection) as seen:
        triaging.triage_job(bench.workshop, jobs[0].ref, on=TODAY)
    for name, times in spent.items():
        print(f"{name}: median {statistics.median(times):.3f} s, slowest {max(times):.3f} s")
    print(f"queries of a triage: {len(seen)}")


def test_a_sweep_over_many_open_jobs(bench: Bench) -> None:
    job = bench.job(technician=bench.technician)
    rows = [
        Job(
            workshop=bench.workshop,
            ref=f"J-X{number}",
            appliance_id=job.appliance_id,
            opened_on=TODAY,
            wait_until=TODAY + timedelta(days=30),
            tell_next_on=TODAY + timedelta(days=1 if number < DUE else 14),
            technician=bench.technician,
        )
        for number in range(OPEN_JOBS)
    ]
    Job.objects.bulk_create(rows, batch_size=5_000)
    Job.of(bench.workshop).filter(pk=job.pk).update(tell_next_on=None)
    for name, after in (("nothing due", 0), (f"{DUE} due", 1), (f"{DUE} of them told", 14)):
        if after == 14:
            Job.of(bench.workshop).filter(tell_next_on=TODAY + timedelta(days=14)).exclude(
                ref__in=[f"J-X{number}" for number in range(DUE)]
            ).update(tell_next_on=TODAY + timedelta(days=20))
        start = time.perf_counter()
        with CaptureQueriesContext(connection) as seen:
            told = reminders.tell_what_is_due(now=NOW + timedelta(days=after))
        spent = time.perf_counter() - start
        print(f"{name}: told of {told} in {spent:.3f} s, {len(seen)} queries")
