"""The database uses the keys: every query that finds candidates goes through its index.

Plans are asked for at a size where reading the whole table would cost more: PostgreSQL is told
not to (enable_seqscan off) so that the test is of what can be used, not of what it guesses.
"""

import re
from collections.abc import Iterator

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from matching import gather, matcher
from matching.candidates import needs_far, needs_near
from matching.searching import Searcher
from parts.models import Part
from parts.services import PartFacts, describe_part
from tests.factories import TODAY, Bench

pytestmark = pytest.mark.django_db
TABLES = ("parts_part", "parts_partkey", "parts_sighting", "donors_donor", "matching_outcome")
TABLES += ("matching_need", "matching_needkey", "matching_job", "parts_partnumber")
FACTS = {"part_number": "5443.796-01", "attributes": {"mount": "clip-3"}}


@pytest.fixture
def queries(bench: Bench) -> list[str]:
    """The queries of a search and of an arrival whose sides have every kind of key.

    The arrival is of many kinds: for a list of them SQLite chooses other plans than for one.
    """
    donor = bench.donor("W7-60 R1 W")
    part = bench.part(donor, "drain-pump")
    describe_part(workshop=bench.workshop, ref=part.ref, facts=PartFacts(**FACTS))
    need = bench.need("W7-60 R1 W", kind="drain-pump", **FACTS)
    want = gather.want_of(need)
    with CaptureQueriesContext(connection) as found:
        Searcher(bench.workshop.pk, on=TODAY).search([("drain-pump", want)])
        parts = list(Part.of(bench.workshop).filter(donor=donor).select_related("donor__make"))
        arrival = Searcher(bench.workshop.pk, on=TODAY)
        matcher.needs_found(
            *(matcher.look_up(arrival, parts, look) for look in (needs_near, needs_far))
        )
    return [query["sql"] for query in found]


def plans(queries: list[str]) -> Iterator[tuple[str, str]]:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL enable_seqscan = off")
        verb = "EXPLAIN QUERY PLAN " if connection.vendor == "sqlite" else "EXPLAIN "
        for sql in queries:
            if any(table in sql for table in TABLES):
                cursor.execute(verb + sql)
                yield sql, "\n".join(str(row[-1]) for row in cursor.fetchall())


def test_no_candidate_query_reads_a_whole_table(queries: list[str]) -> None:
    seen = list(plans(queries))
    assert len(seen) >= 12
    # What a query makes itself may be scanned: its keys, what they found, linked numbers.
    for sql, plan in seen:
        for line in plan.splitlines():
            scanned = re.match(r"\s*SCAN (?!asked|found|linked|(\d+ )?CONSTANT)", line)
            assert not scanned, (sql, plan)
            assert "Seq Scan" not in line or "reference" in sql, (sql, plan)
            assert not line.endswith("(workshop_id=?)"), (sql, plan)


@pytest.mark.skipif(
    "connection.vendor == 'postgresql'",
    reason="PostgreSQL chooses by how many rows there are: of a few, any index will do",
)
@pytest.mark.parametrize(
    ("fragment", "index"),
    [
        ("numbers AS asked CROSS JOIN parts_part", "part_by_folded"),
        ("stems AS asked CROSS JOIN parts_part", "part_by_stem"),
        ("numbers AS asked CROSS JOIN matching_need", "need_by_folded"),
        ("stems AS asked CROSS JOIN matching_need", "need_by_stem"),
        ("parts_partkey AS keyed", "part_key_once sqlite_autoindex_parts_partkey_1"),
        ("matching_needkey AS keyed", "need_key_once sqlite_autoindex_matching_needkey_1"),
        ("number_folded, make, family FROM parts_sighting", "sighting_by_number"),
        ("it.donor_id = machine.id", "part_by_donor"),
        (
            "it.job_id = machine.id",
            "need_once_per_job sqlite_autoindex_matching_need_1 matching_need_job_id",
        ),
        ("models AS asked CROSS JOIN donors_donor", "donor_by_model"),
        ("near AS asked CROSS JOIN donors_donor", "donor_by_family"),
        ("models AS asked CROSS JOIN matching_job", "job_by_model"),
        ("near AS asked CROSS JOIN matching_job", "job_by_family"),
    ],
)
def test_each_key_has_its_index(queries: list[str], fragment: str, index: str) -> None:
    """index: its names; SQLite gives the index of a constraint a name of its own."""
    found = [plan for sql, plan in plans(queries) if fragment in sql]
    assert found
    assert all(any(name in plan for name in index.split()) for plan in found), found
    # and none reads a whole kind on its way
    assert not any("(workshop_id=? AND kind_id=?)" in plan for plan in found), found
