"""The newest prices of each kind are read through their index, on both engines."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from parts import codes
from parts.models import Part
from parts.prices import NEWEST, PriceBook
from tests.factories import Bench

pytestmark = pytest.mark.django_db


def test_the_newest_are_looked_at_and_scrap_is_not(bench: Bench) -> None:
    donor = bench.donor()
    old = [bench.part(bench.donor(), "drain-pump") for _ in range(3)]
    Part.of(bench.workshop).filter(pk__in=[part.pk for part in old]).update(price_cents=100)
    made = [
        Part(
            workshop=bench.workshop,
            ref=f"N-{number}",
            donor=donor,
            kind_id="drain-pump",
            position=f"{number}",
            state="removed",
            price_cents=2000,
            grade="scrap" if number == 0 else "untested",
        )
        for number in range(NEWEST + 1)
    ]
    codes.give_codes(made)
    Part.objects.bulk_create(made)
    Part.of(bench.workshop).filter(ref="N-0").update(price_cents=9)
    book = PriceBook.load(bench.workshop.pk, "washing-machine", {"drain-pump", "heater"})
    assert book.paid == {"drain-pump": [2000] * NEWEST}


def test_the_plan(bench: Bench) -> None:
    with CaptureQueriesContext(connection) as seen:
        PriceBook.load(bench.workshop.pk, "washing-machine", {"drain-pump", "heater"})
    sql = next(query["sql"] for query in seen if "UNION ALL" in query["sql"])
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL enable_seqscan = off")
            cursor.execute("SET LOCAL enable_sort = off")
        verb = "EXPLAIN QUERY PLAN " if connection.vendor == "sqlite" else "EXPLAIN "
        cursor.execute(verb + sql)
        plan = "\n".join(str(row[-1]) for row in cursor.fetchall())
    assert plan.count("part_priced_newest") == 2, plan
    assert "TEMP B-TREE" not in plan  # newest first without sorting
