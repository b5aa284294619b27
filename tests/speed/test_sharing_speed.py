"""How long an allocation takes with its reading and storing: 2,000 needs, 20,000 parts.

    python -m pytest tests/speed/test_sharing_speed.py -m speed -s

The worlds of test_allocation_speed.py (families; dense, which is the hardest), stored as matches;
TEST_DATABASE_URL chooses the engine. The aim is 5 s for all of it. No figure decides a test.
"""

import random
import time
from datetime import timedelta

import pytest
from django.db import connection, transaction

from matching import sharing
from matching.models import Job, LastAllocation, Match, Need, Proposal
from parts.models import Part
from tests.factories import NOW, TODAY, make_bench
from tests.speed.test_allocation_speed import NEEDS, PARTS, dense, families, jobs_of

pytestmark = [pytest.mark.speed, pytest.mark.django_db]


def store(workshop, world, several):
    dice = random.Random(5)
    Part.objects.bulk_create(
        [
            Part(
                workshop=workshop,
                ref=f"P-{number:05d}",
                short_code=f"C{number:05d}",
                kind_id="control-board",
                state="shelved",
            )
            for number in range(PARTS)
        ],
        batch_size=1000,
    )
    parts = list(Part.of(workshop).order_by("id").values_list("id", flat=True))
    asked = jobs_of(dice, several)
    Job.objects.bulk_create(
        [
            Job(
                workshop=workshop,
                ref=job.name,
                appliance_id="washing-machine",
                opened_on=TODAY - timedelta(days=job.waiting_days),
            )
            for job in asked
        ],
        batch_size=1000,
    )
    jobs = dict(Job.of(workshop).values_list("ref", "id"))
    needs = Need.objects.bulk_create(
        [
            Need(
                workshop=workshop,
                job_id=jobs[job.name],
                kind_id="control-board",
                position=str(place),
            )
            for job in asked
            for place in range(len(job.needs))
        ],
        batch_size=1000,
    )
    order = list(needs)
    dice.shuffle(order)
    Match.objects.bulk_create(
        [
            Match(
                workshop=workshop,
                need=need,
                part_id=parts[part],
                verdict="likely-fits",
                score_bits=3,
                p_fit=dice.uniform(0.65, 1),
                p_good=dice.uniform(0.35, 1),
                worth=0.5,
                scored_at=NOW,
            )
            for number, need in enumerate(order)
            for part in world(dice, number)
        ],
        batch_size=2000,
    )
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:  # as its autovacuum would within a minute
            cursor.execute("ANALYZE")


@pytest.mark.parametrize("several", [False, True])
@pytest.mark.parametrize("world", [families, dense])
def test_sharing(world, several, capsys):
    workshop = make_bench("millrace").workshop
    store(workshop, world, several)
    start, busy = time.perf_counter(), time.process_time()
    worked = sharing.work_out(workshop.pk, now=NOW)
    middle, half = time.perf_counter(), time.process_time()
    with transaction.atomic():  # all that another writer may have to wait for
        last = sharing.store(workshop.pk, worked, now=NOW)
    end, done = time.perf_counter(), time.process_time()
    assert LastAllocation.of(workshop).get().completed == last.completed
    with capsys.disabled():
        print(
            f"\n{world.__name__}{', several needs' if several else ''}: {NEEDS} needs, "
            f"{last.pairs} pairs: worked out in {middle - start:.2f} s ({half - busy:.2f} s of "
            f"processor), stored in {end - middle:.2f} s ({done - half:.2f} s); "
            f"{last.completed} of {last.jobs} jobs, at most {last.at_most}, "
            f"{Proposal.of(workshop).count()} proposals"
        )
