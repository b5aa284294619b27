"""Pages ask the database no more often as their rows grow."""

from collections.abc import Callable

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from matching import holds, ruling
from matching.models import Job, Match
from matching.services import NeedFacts
from parts.services import PartFacts, add_loose_part
from tests.factories import NOW, TODAY, Bench

pytestmark = pytest.mark.django_db


def count_queries(client: Client, address: str) -> int:
    with CaptureQueriesContext(
        connection,
    ) as seen:
        assert client.get(address).status_code == 200
    return len(seen)


def same_at_two_sizes(client: Client, address: Callable[[], str], grow: Callable[[], None]) -> None:
    grow()
    count_queries(client, address())  # reference tables are read once a process
    small = count_queries(client, address())
    for _ in range(3):
        grow()
    assert count_queries(client, address()) == small


def test_lists_and_inbox(bench: Bench, technician: Client) -> None:
    models = iter(["W7-60 R1 W", "W7-60 R1 S", "W7-60 R2 W", "W7-80 R1 W"] * 10)

    def grow() -> None:
        bench.job(next(models), technician=bench.technician)
        bench.donor("W7-60 R1 W", cause="board-fault")
        bench.drain()

    for route in ("donors", "jobs", "parts", "alerts", "home", "models", "makes"):
        same_at_two_sizes(technician, lambda route=route: reverse(route), grow)


def test_the_bins(bench: Bench, technician: Client) -> None:
    rows = iter(range(20))

    def grow() -> None:
        facts = PartFacts(bin=f"A-{next(rows)}")
        add_loose_part(workshop=bench.workshop, kind="drain-pump", facts=facts, received_on=TODAY)

    same_at_two_sizes(technician, lambda: reverse("bins"), grow)


def test_the_job_page(bench: Bench, technician: Client) -> None:
    """More needs, more matches, more holds: the same number of queries."""
    kinds = ["control-board", "drain-pump", "inlet-valve", "door-lock", "heater"]
    pages: list[Job] = []

    def open_with(needs: int) -> Job:
        job = bench.job("W7-60 R1 W", needs=[NeedFacts(kind=kind) for kind in kinds[:needs]])
        for _ in range(needs):
            bench.donor("W7-60 R1 W")
        bench.drain()
        for need in job.needs.all():
            held = Match.of(bench.workshop).filter(need=need, part__holds=None).first()
            if held is not None:
                holds.hold_part(
                    workshop=bench.workshop,
                    part_ref=held.part.ref,
                    need_id=need.pk,
                    member=bench.technician,
                    now=NOW,
                )
        pages.append(job)
        return job

    small, large = open_with(1), open_with(5)
    count_queries(technician, reverse("job", args=[small.ref]))
    few = count_queries(technician, reverse("job", args=[small.ref]))
    assert count_queries(technician, reverse("job", args=[large.ref])) == few
    assert few <= 47  # the odds of waiting count what came in and what is promised: half of them


def test_the_donor_page_and_the_search(bench: Bench, technician: Client) -> None:
    donor = bench.donor("W7-60 R1 W")

    def grow() -> None:
        bench.job("W7-60 R1 W", technician=bench.technician)
        bench.donor("W7-60 R1 W")
        bench.drain()

    same_at_two_sizes(technician, lambda: reverse("donor", args=[donor.ref]), grow)
    find = reverse("find") + "?text=W7-60+R1+W&kind=control-board"
    same_at_two_sizes(technician, lambda: find, grow)


def test_the_rules_and_one_rule(bench: Bench, technician: Client) -> None:
    """More rules, more said of one, more needs, parts and fittings it moves."""
    rule = bench.rule()
    numbers = iter(range(50))

    def grow() -> None:
        bench.rule(says="does-not-fit", state="approved", family="W7", built_from="2012-01-01")
        bench.rule(replaces=rule.pk, family="W7", built_to="2010-12-31")
        bench.rule(family=f"F{next(numbers)}")
        for said in (bench.technician, bench.members["owner"]):
            ruling.comment_rule(
                workshop=bench.workshop, rule_id=rule.pk, member=said, note="Seen.", now=NOW
            )
        bench.job("W7-60 R1 W")
        bench.donor("W7-60 R1 W")
        bench.drain()

    same_at_two_sizes(technician, lambda: reverse("rules"), grow)
    same_at_two_sizes(technician, lambda: reverse("rule", args=[rule.pk]), grow)


def test_reading_pages_writes_nothing(bench: Bench, technician: Client) -> None:
    job = bench.job("W7-60 R1 W")
    donor = bench.donor("W7-6O R1 W")
    bench.drain()
    technician.get(reverse("home"))
    addresses = [
        *(reverse(route) for route in ("home", "alerts", "donors", "parts", "jobs", "job-new")),
        reverse("job", args=[job.ref]),
        reverse("donor", args=[donor.ref]),
        reverse("part", args=[bench.part(donor).ref]),
        reverse("rules"),
        reverse("rule", args=[bench.rule().pk]),
        reverse("find") + "?text=W7-60+R1+W",
    ]
    for address in addresses:
        with CaptureQueriesContext(connection) as seen:
            technician.get(address)
        writes = ("INSERT", "UPDATE", "DELETE", "SAVEPOINT", "BEGIN")
        assert not [query["sql"] for query in seen if query["sql"].lstrip().startswith(writes)]
