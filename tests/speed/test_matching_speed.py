"""How fast candidates are found and scored as stock and waiting needs grow, beside two peers.

    python -m pytest tests/speed/test_matching_speed.py -m speed -s            (SQLite)
    TEST_DATABASE_URL=postgres://... python -m pytest ... -m speed -s          (PostgreSQL)

MATCHING_PARTS names the largest stock (default 10,000; a tenth as many needs wait). Writes the
engine's table into docs/matching-speed.md. Peers in the same run: the scan that knows all
(tests/integration/matching/exhaustive.py) and a plain SQL join on number or family, which finds
but neither scores nor explains. No figure decides a test.
"""

import os
import re
import statistics
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, transaction

from donors.models import Donor
from matching import events, far, gather, matcher
from matching.models import Match, Need
from matching.searching import KEPT_PER_NEED, Searcher
from parts.models import Part
from tests.factories import NOW, TODAY
from tests.integration.matching.exhaustive import judge
from tests.speed.stock_worlds import StockWorld
from workshop.models import OutboxEvent

pytestmark = [pytest.mark.speed, pytest.mark.django_db(transaction=True)]
MOST = int(os.environ.get("MATCHING_PARTS", "10000"))
SIZES = [size for size in (10_000, 100_000, 1_000_000) if size <= MOST]
ARRIVALS, SEARCHES, SCANS = 30, 60, 2
PAGE = Path(__file__).parents[2] / "docs" / "matching-speed.md"
HEAD = (
    "| what | rows | n | p50 ms | p95 ms | p50 ms of processor | p95 ms of processor | queries "
    "| pairs found, median |\n|---|---|---|---|---|---|---|---|---|"
)


def test_matching_beside_its_peers() -> None:
    world = StockWorld()
    engine = {"sqlite": "SQLite", "postgresql": "PostgreSQL"}[connection.vendor]
    lines = [HEAD]
    for size in SIZES:
        start = time.perf_counter()
        with transaction.atomic():
            if size == SIZES[0]:
                world.fill(parts=size, needs=size // 10)
            else:
                world.multiply(10)
        world.settle()
        print(f"grown to {size:,} in {time.perf_counter() - start:.0f} s", flush=True)
        lines += [*_searches(world), *_arrivals(world), *_peers(world)]
        text = "\n".join([*lines, "", *_sizes()])
        print(text, flush=True)
        _write(engine, text)


def _write(engine: str, table: str) -> None:
    page = PAGE.read_text(encoding="utf-8")
    text = f"## {engine}\n\n{table}\n"
    old = re.compile(rf"## {engine}\n.*?(?=^## |\Z)", re.DOTALL | re.MULTILINE).search(page)
    page = page.replace(old.group(), text + "\n") if old else f"{page.rstrip()}\n\n{text}"
    PAGE.write_text(page.rstrip() + "\n", encoding="utf-8")


def _row(name: str, rows: str, runs: Iterable[tuple[float, float, int, int]]) -> str:
    wall, busy, queries, found = zip(*runs, strict=True)
    figures = [
        f"{figure:.1f}" for taken in (wall, busy) for figure in (_at(taken, 50), _at(taken, 95))
    ]
    shown = " | ".join(figures)
    most = f"{min(queries)}-{max(queries)}"
    return f"| {name} | {rows} | {len(wall)} | {shown} | {most} | {statistics.median(found):.0f} |"


def _at(taken: Iterable[float], percent: int) -> float:
    ordered = sorted(taken)
    return ordered[min(len(ordered) - 1, len(ordered) * percent // 100)]


def _timed(work: Callable[[], int]) -> tuple[float, float, int, int]:
    """Return wall and processor time in ms, how many queries, and what the work returned."""
    queries = 0

    def count(execute: Callable[..., object], *args: object) -> object:
        nonlocal queries
        queries += 1
        return execute(*args)

    with connection.execute_wrapper(count):
        start, busy = time.perf_counter(), time.thread_time()
        found = work()
        wall, busy = time.perf_counter() - start, time.thread_time() - busy
    return 1e3 * wall, 1e3 * busy, queries, found


def _some_needs(world: StockWorld, count: int) -> list[Need]:
    rows = Need.of(world.workshop).select_related("job__make", "kind").order_by("id")
    total = rows.count()
    step = max(1, total // count)
    return list(rows.filter(pk__in=list(rows.values_list("id", flat=True))[::step][:count]))


def _searches(world: StockWorld) -> list[str]:
    wants = [(need.kind_id, gather.want_of(need)) for need in _some_needs(world, SEARCHES)]

    def search(kind: str, want: object) -> int:
        searcher = Searcher(world.workshop.pk, on=TODAY)
        offered = searcher.search([(kind, want)])[0].offered  # type: ignore[list-item]
        for one in offered[:KEPT_PER_NEED]:
            matcher.reasons(one)
        return len(offered)

    search(*wants[0])
    runs = [_timed(lambda want=want: search(*want)) for want in wants]
    return [_row("**one need, all stock**", f"{world.counts['parts']:,} parts", runs)]


def _arrivals(world: StockWorld) -> list[str]:
    first, later, weak, paged = [], [], [], 0
    rows = f"{world.counts['jobs']:,} needs"
    for donor in Donor.of(world.workshop).order_by("id")[:ARRIVALS]:
        ids = list(Part.of(world.workshop).filter(donor=donor).values_list("id", flat=True))

        def match(ids: list[int] = ids) -> int:
            matcher.match_parts(world.workshop.pk, ids, now=NOW, arrived=True)
            return Match.of(world.workshop).filter(part__in=ids).count()

        OutboxEvent.of(world.workshop).delete()
        first.append(_committed(match))
        pages = [one.payload for one in OutboxEvent.of(world.workshop)]
        paged += bool(pages)
        for page in [one for one in pages if "pairs" in one][:2]:

            def follow(page: dict[str, Any] = page) -> int:
                matcher.match_pairs(world.workshop.pk, page["pairs"], now=NOW, tell=page["tell"])
                return len(page["pairs"])

            later.append(_committed(follow))
        for page in [one for one in pages if "pairs" not in one]:

            def look_far(page: dict[str, Any] = page) -> int:
                far.match_far(world.workshop.pk, **page, now=NOW)
                listed = OutboxEvent.of(world.workshop).filter(kind=events.PAIRS_FOUND)
                return sum(len(one.payload["pairs"]) for one in listed)

            OutboxEvent.of(world.workshop).delete()
            weak.append(_committed(look_far))
    lines = [_row("**one arrival, first page**", rows, first)]
    if later:
        lines.append(_row(f"a page that follows ({paged} arrivals had one)", rows, later))
    if weak:
        lines.append(_row("weak keys of an arrival looked up and listed", rows, weak))
    return lines


def _committed(work: Callable[[], int]) -> tuple[float, float, int, int]:
    """Return what one event's work takes; its commit is the disk's matter and left out."""
    with transaction.atomic():
        return _timed(work)


def _peers(world: StockWorld) -> list[str]:
    needs = _some_needs(world, SCANS)
    scans = [_timed(lambda need=need: len(judge(world.workshop.pk, [need]))) for need in needs]
    joins = [_timed(lambda need=need: _join(need)) for need in _some_needs(world, SEARCHES)]
    rows = f"{world.counts['parts']:,} parts"
    return [
        _row("peer: one need, scan of its kind", rows, scans),
        _row("peer: one need, SQL join, not scored", rows, joins),
    ]


def _join(need: Need) -> int:
    sql = """
        SELECT part.id, part.part_number, donor.model_number FROM parts_part AS part
        LEFT JOIN donors_donor AS donor ON donor.id = part.donor_id
        WHERE part.workshop_id = %s AND part.kind_id = %s
          AND part.state IN ('in-machine', 'removed', 'shelved') AND part.grade <> 'scrap'
          AND (part.number_canonical = %s OR (donor.make_id = %s AND donor.family = %s))
        LIMIT 300
    """
    job = need.job
    known = [need.workshop_id, need.kind_id, need.number_canonical or "-", job.make_id, job.family]
    with connection.cursor() as cursor:
        cursor.execute(sql, known)
        return len(cursor.fetchall())


def _sizes() -> list[str]:
    """Return what the keys take on disk, an index or table a line."""
    names = [
        *("parts_part", "parts_partkey", "part_key_once", "part_by_folded", "part_by_stem"),
        "part_by_donor",
        *("sighting_by_number", "donor_by_family", "donor_by_model", "need_by_folded"),
        *("need_by_stem", "matching_needkey", "need_key_once", "job_by_family", "job_by_model"),
    ]
    by_engine = {
        "postgresql": "SELECT pg_relation_size(%s::regclass)",
        "sqlite": "SELECT SUM(pgsize) FROM dbstat WHERE name = %s",
    }
    sizes = []
    with connection.cursor() as cursor:
        for name in names:
            try:
                cursor.execute(by_engine[connection.vendor], [name])
            except Exception:  # SQLite may be built without its size table
                return ["Sizes on disk are not told by this SQLite."]
            sizes.append((name, cursor.fetchone()[0] or 0))
    shown = ", ".join(f"{name} {size / 2**20:.1f}" for name, size in sizes)
    return [f"On disk at the largest size, MiB: {shown}."]
