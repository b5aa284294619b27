"""A sheet of 65 labels within a second: from the tables to the PDF, fonts loaded anew.

No figure decides a test.

python -m pytest -m speed tests/speed/test_label_speed.py -s
"""

import statistics
import time

import pytest

from parts import label_pdf, labels
from parts.models import Part
from tests.factories import Bench

pytestmark = [pytest.mark.speed, pytest.mark.django_db]

ROUNDS = 20


def test_a_sheet_of_65_labels(bench: Bench) -> None:
    bench.workshop.label_address = "https://bench.millrace.example"
    while Part.of(bench.workshop).count() < 65:
        bench.donor()
    refs = list(Part.of(bench.workshop).order_by("id").values_list("ref", flat=True)[:65])
    sheet = labels.get_sheet("65-38x21")
    seconds = []
    for _ in range(ROUNDS):
        for kept in (label_pdf._load_fonts, label_pdf._glyphs, label_pdf._matrix):
            kept.cache_clear()
        start = time.perf_counter()
        labels.print_labels(workshop=bench.workshop, refs=refs, sheet=sheet)
        seconds.append(time.perf_counter() - start)
    print(f"\n65 labels: median {statistics.median(seconds):.3f} s, slowest {max(seconds):.3f} s")
