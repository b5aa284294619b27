"""What importing by a page costs: reading a table, checking it, storing it, undoing it.

    python -m pytest -m speed tests/speed/test_import_speed.py -s

Aim (reliability plan, row 24): 10,000 rows in 10 s. No figure decides a test.
"""

import io
import time
from collections.abc import Callable
from typing import Any

import pytest
from openpyxl import Workbook

from tests.factories import NOW, Bench
from workshop import imports
from workshop.exchange.tables import read_table

pytestmark = [pytest.mark.speed, pytest.mark.django_db]
HEADER = "ref,appliance,make,model_number,serial_number,built_from,built_to,received_on,cause,note"
ROWS = 10_000


def row(at: int) -> list[str]:
    machine = ["washing-machine", "Velthane", "W7-60 R1 W", f"00{at}", "2018-03-01", "2018-03-31"]
    return [f"X-{at}", *machine, "2026-11-02", "", "from the yard"]


def timed(what: str, act: Callable[[], Any]) -> Any:
    start = time.perf_counter()
    found = act()
    print(f"\n{what}: {time.perf_counter() - start:.1f} s")
    return found


def test_ten_thousand_donors(bench: Bench) -> None:
    lines = [HEADER, *(",".join(row(at)) for at in range(ROWS))]
    raw = "\n".join(lines).encode()
    book = Workbook(write_only=True)
    sheet = book.create_sheet()
    for line in [HEADER.split(","), *map(row, range(ROWS))]:
        sheet.append(line)
    out = io.BytesIO()
    book.save(out)
    timed("CSV read", lambda: read_table(raw, name="a.csv"))
    timed("XLSX read", lambda: read_table(out.getvalue(), name="a.xlsx"))
    member = bench.members["reviewer"]
    found = imports.upload(member=member, raw=raw, name="a.csv", kind="donors", now=NOW)

    def act(begin: Callable[..., Any], handler: Callable[..., Any]) -> Callable[[], None]:
        from workshop.models import OutboxEvent

        def run() -> None:
            if begin is not None:
                begin(member=member, import_id=found.pk, now=NOW)
            event = OutboxEvent.of(bench.workshop).filter(payload__import_id=str(found.pk))
            handler(event.order_by("-recorded_at").first(), NOW)

        return run

    timed("checked", act(None, imports.check_now))
    timed("stored", act(imports.store, imports.store_now))
    timed("undone", act(imports.undo, imports.undo_now))
    assert imports.get_import(bench.workshop, found.pk).state == "undone"
