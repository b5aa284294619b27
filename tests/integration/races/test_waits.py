"""Two sweeps tell once; two people who keep one machine at once make one donor."""

from datetime import timedelta

import pytest

from donors.models import Donor
from matching import keeping
from matching.keeping import Answer
from matching.models import Alert, KeptMachine
from tests.factories import NOW, TODAY, Bench, make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("races")]

JOBS, SWEEPS, KEPT = size(12, 60), 4, size(6, 50)
REVIEW = (NOW + timedelta(days=14)).isoformat()


def waiting(bench: Bench) -> None:
    for _ in range(JOBS):
        bench.job(technician=bench.technician)


def told() -> int:
    return Alert.objects.unscoped().filter(news="review").count()


def test_a_job_is_told_of_once_however_many_sweep(race: Race) -> None:
    waiting(make_bench("millrace"))
    done = race([{"task": "remind", "at": REVIEW, "naive": False}] * SWEEPS)
    assert sum(one["told"] for one in done) == told() == JOBS


def test_control_without_lock_and_day_it_is_told_twice(race: Race) -> None:
    waiting(make_bench("millrace"))
    done = race([{"task": "remind", "at": REVIEW, "naive": True}] * 2)
    assert [one["told"] for one in done] == [JOBS, JOBS]
    assert told() == 2 * JOBS


def refused(bench: Bench) -> list[str]:
    """Return jobs that were refused and whose machines may be kept."""
    jobs = [bench.job() for _ in range(KEPT)]
    for job in jobs:
        keeping.refuse_repair(
            workshop=bench.workshop,
            ref=job.ref,
            answer=Answer("yes", "owner", "signed", TODAY),
            member=bench.technician,
            now=NOW,
        )
    return [job.ref for job in jobs]


def test_two_who_keep_a_machine_at_once_make_one_donor(race: Race) -> None:
    jobs = refused(make_bench("millrace"))
    done = race([{"task": "keep", "jobs": jobs}] * 2)
    pairs = zip(*(one["statuses"] for one in done), strict=True)
    assert all(sorted(pair) == [201, 409] for pair in pairs), done
    assert Donor.objects.unscoped().count() == KEPT
    assert KeptMachine.objects.unscoped().count() == KEPT


def test_control_without_the_row_it_is_taken_in_twice(race: Race) -> None:
    jobs = refused(make_bench("millrace"))
    done = race([{"task": "keep", "jobs": jobs, "naive": True}] * 2)
    assert all(one["statuses"] == [201] * KEPT for one in done)
    assert Donor.objects.unscoped().count() == 2 * KEPT
