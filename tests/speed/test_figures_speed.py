"""What the figures and the list of what to look for take as rows grow.

    python -m pytest tests/speed/test_figures_speed.py -m speed -s            (SQLite)
    TEST_DATABASE_URL=postgres://... python -m pytest ... -m speed -s          (PostgreSQL)

FIGURES_ROWS names the parts on the shelf, and the open needs (default 10,000; 100,000 takes some
minutes). Prints a table for docs/jobs.md. No figure decides a test.
"""

import os
import time
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.db import connection, transaction
from django.db.models import F

from matching import looking_for
from matching.figures import kept, lasts, needs, shelf, spans, yields
from matching.models import LookedFor, Looking, Need
from parts.models import Part
from tests.factories import NOW, TODAY
from tests.speed.stock_worlds import StockWorld

pytestmark = [pytest.mark.speed, pytest.mark.django_db(transaction=True)]
ROWS = int(os.environ.get("FIGURES_ROWS", "10000"))
REPEATS = 3


def on_the_shelf(world: StockWorld) -> None:
    """Put every part on the shelf, taken off over three years."""
    parts = Part.of(world.workshop)
    parts.update(state="shelved", removed_on=TODAY)
    for months in (1, 4, 9, 15, 30):
        parts.annotate(rest=F("id") % 6).filter(rest=months % 6).update(
            removed_on=spans.months_on(TODAY, -months)
        )


def seconds(ask: Callable[[], object]) -> tuple[float, float]:
    wall, busy = time.perf_counter(), time.process_time()
    ask()
    return time.perf_counter() - wall, time.process_time() - busy


def test_figures_and_what_to_look_for() -> None:
    world = StockWorld()
    with transaction.atomic():
        first = min(ROWS, 10_000)
        world.fill(parts=first, needs=first)
        if first < ROWS:
            world.multiply(ROWS // first)
        on_the_shelf(world)
    world.settle()
    workshop, span = world.workshop, spans.last_months(24, today=TODAY)
    print(f"\n{connection.vendor}: {Part.of(workshop).count():,} parts on the shelf,")
    print(f"{Need.of(workshop).filter(state='open').count():,} open needs\n")
    asked: dict[str, Callable[[], object]] = {
        "fill rate": lambda: needs.fill_rate(workshop, span, today=TODAY),
        "days waited": lambda: needs.waits(workshop, span),
        "donors": lambda: yields.yields(workshop, span),
        "shelf": lambda: shelf.shelf(workshop, today=TODAY),
        "kept": lambda: kept.kept(workshop, span),
        "lasting": lambda: lasts.how_long(workshop, span),
    }
    found = shelf.shelf(workshop, today=TODAY)
    rows = shelf.LetGoRows(workshop, found)
    asked["let go, first page"] = lambda: rows[:50]
    asked["let go, last page"] = lambda: rows[len(rows) - 50 : len(rows)]
    print("| what | seconds | of processor |\n|---|---|---|")
    for name, ask in asked.items():
        wall, busy = min(seconds(ask) for _ in range(REPEATS))
        print(f"| {name} | {wall:.2f} | {busy:.2f} |", flush=True)
    _look_for(world)


def _look_for(world: StockWorld) -> None:
    """Work the list off as sweeps do, and tell what a round and its longest slice take."""
    slices: list[tuple[float, float, int]] = []
    done: list[int] = []

    def one_slice() -> None:
        now = NOW + timedelta(minutes=len(slices))
        done.append(looking_for.work_in(world.workshop, now=now))

    while True:
        taken = seconds(one_slice)
        slices.append((*taken, done[-1]))
        if not Looking.of(world.workshop).get().began_at:
            break
    wall, busy = (sum(one[place] for one in slices) for place in (0, 1))
    most = max(slices)
    whole = f"what to look for, {sum(done)} families in {len(slices)} slices"
    print(f"| {whole} | {wall:.1f} | {busy:.1f} |")
    print(f"| its longest slice, {most[2]} families | {most[0]:.2f} | {most[1]:.2f} |")
    print(f"\n{LookedFor.of(world.workshop).count()} families listed")
