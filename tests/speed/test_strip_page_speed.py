"""How long the strip plan of a donor and its page take: 40 steps, 40 parts; the aim is 200 ms.

    python -m pytest tests/speed/test_strip_page_speed.py -m speed -s

From the database on: steps, own times, prices, odds, waiting jobs, demand, plan, page. Each
machine is another one; behind it stand 40 donors with 1,600 step times and 120 past needs. No
figure decides a test.
"""

import random
import statistics
import time
from datetime import timedelta

import pytest
from django.db import transaction
from django.test import Client
from django.urls import reverse

from matching.models import Job, Need
from matching.strip_planning import plan_donor
from parts import codes
from parts.models import Part, StepRecord, StripStep, WorkshopStep
from tests.factories import NOW, TODAY, Bench

pytestmark = [pytest.mark.speed, pytest.mark.django_db]
STEPS, PARTS, MACHINES = 40, 40, 20
KINDS = ("control-board", "drain-pump", "inlet-valve", "door-lock", "heater", "motor-inverter")


def machine(bench: Bench, seed: int, *, alternatives: bool) -> str:
    """Give the workshop 40 steps of its own, and a donor of 40 parts they take out."""
    dice = random.Random(seed)
    places = [(dice.choice(KINDS), f"{number}") for number in range(PARTS)]
    StripStep.objects.filter(appliance="washing-machine").delete()
    WorkshopStep.of(bench.workshop).delete()
    rows: list[WorkshopStep] = []
    for number in range(STEPS):
        before = [row.slug for row in rows[max(0, number - 12) :]]
        chosen = dice.sample(before, min(len(before), dice.choice([0, 1, 1, 2])))
        either = alternatives and len(before) > 2 and dice.random() < 0.25
        rows.append(
            WorkshopStep(
                workshop=bench.workshop,
                appliance_id="washing-machine",
                slug=f"step-{number}",
                name=f"Step number {number}",
                minutes=dice.randint(1, 15),
                needs=[sorted({one, dice.choice(before)}) if either else [one] for one in chosen],
                takes=["/".join(places[number])],
                cautions=["Panel edges cut: gloves."],
            )
        )
    WorkshopStep.objects.bulk_create(rows)
    donor = bench.donor(cause="bearing-drum")
    Part.of(bench.workshop).filter(donor=donor).delete()
    made = [
        Part(
            workshop=bench.workshop,
            ref=f"{donor.ref}.{number}",
            donor=donor,
            kind_id=kind,
            position=position,
            price_cents=dice.choice([None, dice.randint(400, 9000)]),
        )
        for number, (kind, position) in enumerate(places)
    ]
    with transaction.atomic():
        codes.give_codes(made)
        Part.objects.bulk_create(made)
    return donor.ref


def history(bench: Bench) -> None:
    donors = [bench.donor() for _ in range(40)]
    StepRecord.objects.bulk_create(
        StepRecord(
            workshop=bench.workshop,
            donor=donor,
            appliance_id="washing-machine",
            step=f"step-{number}",
            done_on=TODAY,
            done_at=NOW,
            done_by=bench.technician,
            timed_min=4,
        )
        for donor in donors
        for number in range(STEPS)
    )
    job = Job.objects.create(
        workshop=bench.workshop,
        ref="J-PAST",
        appliance_id="washing-machine",
        opened_on=TODAY - timedelta(days=300),
        state="done",
    )
    Need.objects.bulk_create(
        Need(workshop=bench.workshop, job=job, kind_id=kind, position=f"{number}", state="filled")
        for kind in KINDS
        for number in range(20)
    )


@pytest.mark.parametrize("alternatives", [False, True])
@pytest.mark.parametrize("within_min", [None, 120])
def test_plan_and_page(bench: Bench, alternatives, within_min, capsys) -> None:
    history(bench)
    client = Client()
    client.force_login(bench.technician.user)
    asked = {} if within_min is None else {"within_min": within_min}
    took: dict[str, list[tuple[float, float]]] = {"plan": [], "page": []}
    for seed in range(MACHINES + 1):
        ref = machine(bench, seed, alternatives=alternatives)
        acts = {
            "plan": lambda ref=ref: plan_donor(
                bench.workshop, ref, on=TODAY, within_min=within_min
            ),
            "page": lambda ref=ref: client.get(reverse("donor-strip", args=[ref]), asked),
        }
        for what, act in acts.items():
            start, busy = time.perf_counter(), time.process_time()
            act()
            if seed:  # the first reads what is read once a process
                took[what].append((time.perf_counter() - start, time.process_time() - busy))
    with capsys.disabled():
        for what, found in took.items():
            wall, worked = (
                sorted(1000 * one for one in column) for column in zip(*found, strict=True)
            )
            print(
                f"\n{what}, alternatives {alternatives}, within {within_min}: wall p50 "
                f"{statistics.median(wall):.0f} ms, p95 {wall[int(0.95 * MACHINES) - 1]:.0f}; "
                f"processor p50 {statistics.median(worked):.0f}, p95 "
                f"{worked[int(0.95 * MACHINES) - 1]:.0f}, most {worked[-1]:.0f} of {MACHINES}"
            )
