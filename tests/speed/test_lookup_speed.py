"""How well and how fast the lookup finds, beside other ways of doing the same work.

    LOOKUP_ROWS=1000000 python -m pytest tests/speed/test_lookup_speed.py -m speed -s

Writes the table of that size into docs/lookup.md. Peers answer the same queries in the same
run: rapidfuzz comparing with every number; PostgreSQL's pg_trgm nearest neighbour (where
TEST_POSTGRES_URL answers); SQLite's FTS5 trigram index re-ranked by rapidfuzz. No figure decides
a test: a benchmark on a busy machine would lie.
"""

import os
import random
import re
import sqlite3
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import psycopg
import pytest
from rapidfuzz import fuzz, process

from donors.catalogue import Catalogue
from donors.domain.lookup.shelf import Shelf
from donors.domain.model_numbers import canonical, folded
from donors.recognition import KnownModel
from tests.speed import worlds
from tests.unit.donors.domain.lookup.test_bad_input import BAD

pytestmark = pytest.mark.speed
ROWS = int(os.environ.get("LOOKUP_ROWS", "10000"))
QUERIES = int(os.environ.get("LOOKUP_QUERIES", "150"))  # a class of noise
PEER_QUERIES = int(os.environ.get("LOOKUP_PEER_QUERIES", "10"))
URL = os.environ.get("TEST_POSTGRES_URL", "postgres://postgres@127.0.0.1:5432/test")
PAGE = Path(__file__).parents[2] / "docs" / "lookup.md"
NOISY = [name for name in worlds.CLASSES if name != "as printed"]

Asked = tuple[str, str, int, int]  # class of noise, text, make, row meant
Answer = Callable[[str], list[int]]


def test_lookup_beside_its_peers():
    rows = worlds.catalogue(range(20_000, 20_060), ROWS)
    numbers = [canonical(number) for _, number in rows]
    rng = random.Random("speed")
    asked = [
        (name, noise(rows[i][1], rng), rows[i][0], i)
        for name, noise in (worlds.CLASSES | worlds.OUTSIDE).items()
        for i in rng.choices(worlds.askable(name, [number for _, number in rows]), k=QUERIES)
    ]
    few = [one for n, one in enumerate(asked) if n % QUERIES < PEER_QUERIES and one[0] in NOISY]
    catalogue, build_s = _built(rows)
    lines = [f"## {len(rows):,} numbers\n", *_own(catalogue, asked, build_s)]
    lines += [_row("this lookup, the peers' queries", *_run(_ask(catalogue), few))]
    for name, peer in (
        ("rapidfuzz ratio, every number", _exhaustive),
        ("FTS5 trigram, re-ranked", _fts5),
        ("pg_trgm nearest neighbour", _pg_trgm),
    ):
        answer = peer(numbers)
        lines.append(_row(name, *_run(answer, few)) if answer else f"| {name} | not there |||||||")
    lines += ["", *_bad_input(catalogue), "", *_wildcards(rows)]
    text = "\n".join(lines) + "\n"
    print("\n" + text)
    write(f"{len(rows):,} numbers", text)


def _built(rows: list[tuple[int, str]]) -> tuple[Catalogue, float]:
    start = time.perf_counter()
    catalogue = Catalogue()
    for make in sorted({make for make, _ in rows}):
        catalogue.add_make(f"Make {make}")
    ids = {make.name: make.pk for make in catalogue.makes}
    for i, (make, number) in enumerate(rows):
        name = f"Make {make}"
        catalogue.add_model(KnownModel(i, ids[name], name, number, canonical(number), "", ""))
    catalogue.ready()
    return catalogue, time.perf_counter() - start


def _ask(catalogue: Catalogue) -> Answer:
    return lambda text: [one.model.id for one in catalogue.recognise(text).candidates]


def _run(answer: Answer, asked: Iterable[Asked]) -> tuple[float, float, float, float, float, int]:
    """Return recall@1, recall@5, median and 95th percentile in ms, the same of processor time."""
    first = among = 0
    wall, busy = [], []
    for _, text, _, truth in asked:
        start, work = time.perf_counter(), time.thread_time()
        found = answer(text)
        wall.append(1e3 * (time.perf_counter() - start))
        busy.append(1e3 * (time.thread_time() - work))
        first += found[:1] == [truth]
        among += truth in found[:5]
    return (
        first / len(wall),
        among / len(wall),
        float(np.median(wall)),
        float(np.percentile(wall, 95)),
        float(np.percentile(busy, 95)),
        len(wall),
    )


def _head() -> str:
    return (
        "| queries | n | recall@1 | recall@5 | p50 ms | p95 ms | p95 ms of processor |\n"
        "|---|---|---|---|---|---|---|"
    )


def _row(
    name: str, first: float, among: float, p50: float, p95: float, busy: float, count: int
) -> str:
    return f"| {name} | {count} | {first:.3f} | {among:.3f} | {p50:.2f} | {p95:.2f} | {busy:.2f} |"


def _own(catalogue: Catalogue, asked: list[Asked], build_s: float) -> list[str]:
    answer = _ask(catalogue)
    _run(answer, asked[:50])
    assert catalogue.held is not None
    shelf = catalogue.held.layers[0][0]
    mib = (shelf.nbytes + shelf.index.nbytes) / 2**20
    by_class = {name: [one for one in asked if one[0] == name] for name, *_ in asked}
    noisy = [one for one in asked if one[0] in NOISY]
    lines = [_head(), _row("**all noisy**", *_run(answer, noisy))]
    for name, these in by_class.items():
        lines.append(_row(name, *_run(answer, these)))
        if name.startswith("no suffix"):
            alone = [one for one in these if _alone(shelf, canonical(one[1]), one[3])]
            if alone:
                lines.append(_row(f"{name}: where only one goes on so", *_run(answer, alone)))
    makes = {make.name: make for make in catalogue.makes}
    for name in ("other separators", "confusable", "transposition", "substitution", "deletion"):
        first = among = 0
        for _, text, make, truth in by_class[name]:
            seen = catalogue.recognise(text, make=makes[f"Make {make}"])
            found = [one.model.id for one in seen.candidates]
            first += found[:1] == [truth]
            among += truth in found[:5]
        count = len(by_class[name])
        lines.append(
            f"| {name}, make known | {count} | {first / count:.3f} | {among / count:.3f} ||||"
        )
    return [f"Built in {build_s:.1f} s; its arrays take {mib:.0f} MiB.\n", *lines]


def _alone(shelf: Shelf, query: str, truth: int) -> bool:
    """Whether the number meant is the only one that begins like it does, as far as was read.

    Where several do, nobody can know which was meant.
    """
    begins = folded(canonical(shelf.entry(truth).number))[: len(query)].encode()
    start, end = shelf.index.beginning_with(begins)
    return end - start == 1


def _bad_input(catalogue: Catalogue) -> list[str]:
    """Return the slowest of some hostile texts, read as one number and as a text of many."""
    many = " ".join(number for _, number in worlds.catalogue(range(30_000, 30_003), 900))[:10_240]
    texts = {**BAD, "ten kilobytes of numbers": many, "ten kilobytes of words": "ab 12 " * 1_706}
    lines = ["| hostile text | as a number, ms of processor | all numbers in it |", "|---|---|---|"]
    for name, text in texts.items():
        one = min(_busy(catalogue.recognise, text) for _ in range(3))
        all_in_it = min(_busy(catalogue.find_all, text) for _ in range(3))
        lines.append(f"| {name} | {one:.1f} | {all_in_it:.1f} |")
    return lines


def _busy(ask: Callable[[str], object], text: str) -> float:
    start = time.thread_time()
    ask(text)
    return 1e3 * (time.thread_time() - start)


def _exhaustive(numbers: list[str]) -> Answer:
    def answer(text: str) -> list[int]:
        found = process.extract(canonical(text), numbers, scorer=fuzz.ratio, limit=5)
        return [i for _, _, i in found]

    return answer


def _fts5(numbers: list[str]) -> Answer:
    held = sqlite3.connect(":memory:")
    held.execute("CREATE VIRTUAL TABLE known USING fts5(number, tokenize='trigram', detail=none)")
    held.executemany("INSERT INTO known (rowid, number) VALUES (?, ?)", enumerate(numbers))

    def answer(text: str) -> list[int]:
        query = canonical(text)
        grams = {query[i : i + 3] for i in range(len(query) - 2)}
        if not grams:
            return []
        said = " OR ".join(f'"{gram}"' for gram in sorted(grams))
        rows = held.execute(
            "SELECT rowid, number FROM known WHERE known MATCH ? ORDER BY rank LIMIT 100", [said]
        ).fetchall()
        best = process.extract(query, [number for _, number in rows], scorer=fuzz.ratio, limit=5)
        return [rows[i][0] for _, _, i in best]

    return answer


def _pg_trgm(numbers: list[str]) -> Answer | None:
    try:
        held = psycopg.connect(URL, autocommit=True)
    except psycopg.OperationalError:
        return None
    held.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")
    held.execute("CREATE TEMPORARY TABLE speed_known (id integer, number text)")
    with held.cursor().copy("COPY speed_known FROM STDIN") as copy:
        for i, number in enumerate(numbers):
            copy.write_row((i, number))
    held.execute(
        "CREATE INDEX speed_near ON speed_known USING gist (number gist_trgm_ops(siglen=32))"
    )
    held.execute("ANALYZE speed_known")

    def answer(text: str) -> list[int]:
        rows = held.execute(
            "SELECT id FROM speed_known ORDER BY number <-> %s LIMIT 5", [canonical(text)]
        )
        return [i for (i,) in rows.fetchall()]

    return answer


def _wildcards(rows: list[tuple[int, str]]) -> list[str]:
    """Measure numbers known with one open position, asked filled in, among all the others.

    Such a number is listed in place of its variants, so those are left out: numbers that begin
    like it up to its suffix. (Beside them nobody can know which was meant without one.)
    """
    rng = random.Random("wildcards")
    chosen = {i: rows[i] for i in range(0, len(rows), 100)}
    stems = {canonical(number[: worlds.suffix_at(number)]) for _, number in chosen.values()}
    listed, opened = [], []
    for i, (make, number) in enumerate(rows):
        if i in chosen:
            opened.append((len(listed), number))
            listed.append((make, _with_one_open(number, rng)))
        elif not _begins_with_one(canonical(number), stems):
            listed.append((make, number))
    catalogue, _ = _built(listed)
    peer = _exhaustive([canonical(number) for _, number in listed])
    lines = [
        f"Known with an open position in their second half ({len(opened):,} of "
        f"{len(listed):,}), in place of their variants; asked with it filled in:\n",
        _head(),
    ]
    for name, noise in (
        ("filled in", lambda number, rng: number),
        ("one misread", worlds.misread),
        ("transposed", worlds.swapped),
        ("suffix lost", worlds.cut_short),
    ):
        kept = [one for one in opened if name != "suffix lost" or worlds.suffix_at(one[1])]
        these = rng.choices(kept, k=2 * QUERIES)
        asked = [(name, noise(number, rng), 0, place) for place, number in these]
        lines.append(_row(name, *_run(_ask(catalogue), asked)))
        lines.append(_row(f"{name}, rapidfuzz ratio", *_run(peer, asked[: 6 * PEER_QUERIES])))
    return lines


def _with_one_open(number: str, rng: random.Random) -> str:
    places = [n for n, c in enumerate(number) if c.isalnum()]
    at = rng.choice(places[len(places) // 2 :])
    return number[:at] + "*" + number[at + 1 :]


def _begins_with_one(number: str, stems: set[str]) -> bool:
    return any(number[:size] in stems for size in range(4, len(number) + 1))


def write(title: str, text: str) -> None:
    page = PAGE.read_text(encoding="utf-8")
    old = re.compile(rf"## {re.escape(title)}\n.*?(?=^## |\Z)", re.DOTALL | re.MULTILINE)
    found = old.search(page)
    page = page.replace(found.group(), text + "\n") if found else f"{page.rstrip()}\n\n{text}"
    PAGE.write_text(page.rstrip() + "\n", encoding="utf-8")
