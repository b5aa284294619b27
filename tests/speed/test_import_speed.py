"""What importing by a page costs: reading a table, checking it, storing it, undoing it.

    python -m pytest -m speed tests/speed/test_import_speed.py -s

Aim (reliability plan, row 24): 10,000 rows in 10 s; not met for donors, which bring their parts.
No figure decides a test.
"""

import io
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook

from tests.factories import NOW, Bench
from workshop import imports
from workshop.exchange.tables import read_table
from workshop.models import OutboxEvent

pytestmark = [pytest.mark.speed, pytest.mark.django_db]
HEADER = "ref,appliance,make,model_number,serial_number,built_from,built_to,received_on,cause,note"
ROWS = 5_000


def row(at: int) -> list[str]:
    machine = ["washing-machine", "Velthane", "W7-60 R1 W", f"00{at}", "2018-03-01", "2018-03-31"]
    return [f"X-{at}", *machine, "2026-11-02", "", "from the yard"]


def timed(what: str, act: Callable[[], Any]) -> Any:
    start = time.perf_counter()
    found = act()
    print(f"\n{what}: {time.perf_counter() - start:.1f} s")
    return found


def test_five_thousand_donors(bench: Bench) -> None:
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


NAMED = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
SHEET = "xl/worksheets/sheet1.xml"
HOSTILE = {
    "rows without cells": {SHEET: b"<worksheet " + NAMED + b"<sheetData>" + b"<row/>" * 8_000_000},
    "wide rows": {SHEET: (b"<row>" + b"<c/>" * 200_000 + b"</row>") * 60},
    "long texts": {
        SHEET: b"<worksheet "
        + NAMED
        + b"<sheetData>"
        + (b'<row><c t="inlineStr"><is><t>' + b"x" * 900_000 + b"</t></is></c></row>") * 55
        + b"</sheetData></worksheet>"
    },
    "styles": {"xl/styles.xml": b"<styleSheet " + NAMED + b"<a/>" * 190_000 + b"</styleSheet>"},
}
SETUP = """
import os
os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings.test"
import django
django.setup()
"""
MEASURE = """
import resource, sys, time
from workshop.exchange.reading import FileRefused
from workshop.exchange.tables import read_table
base, start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, time.perf_counter()
try:
    said = len(read_table(open(sys.argv[1], "rb").read(), name="x").rows), "rows"
except FileRefused as refused:
    said = refused.problems
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
print(base, "MiB before,", peak, "MiB,", round(time.perf_counter() - start, 1), "s:", said)
"""


@pytest.mark.parametrize("name", HOSTILE)
def test_what_a_hostile_workbook_takes(name: str, tmp_path: Path) -> None:
    """In a process of its own, so that its peak is seen. Aim (row 26): 300 MB."""
    book = Workbook()
    book.active.append(["ref"])
    small, large = io.BytesIO(), tmp_path / "large.xlsx"
    book.save(small)
    with zipfile.ZipFile(small) as old, zipfile.ZipFile(large, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            new.writestr(part, HOSTILE[name].get(part) or old.read(part))
    command = [sys.executable, "-c", SETUP + MEASURE, str(large)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    print(f"\n{name}, {large.stat().st_size // 1024} KiB:", done.stdout.strip())
