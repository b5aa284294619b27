"""Pages on codes, labels, photos and build dates ask no more often as their rows grow."""

from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from parts.models import Photo
from tests.factories import NOW, Bench
from tests.integration.web.test_page_queries import count_queries, same_at_two_sizes

pytestmark = pytest.mark.django_db


def test_labels(bench: Bench, technician: Client) -> None:
    def grow() -> None:
        bench.donor("W7-60 R1 W")

    same_at_two_sizes(technician, lambda: reverse("labels") + "?kind=control-board", grow)


def test_making_labels_over_the_api(bench: Bench, technician: Client) -> None:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    bench.donor()
    refs = [part.ref for part in bench.donor().parts.all()]

    def queries(count: int) -> int:
        with CaptureQueriesContext(connection) as seen:
            form = {"sheet": "65-38x21", "start": "1", "part": refs[:count]}
            assert technician.post(reverse("labels-pdf"), form).status_code == 200
        return len(seen)

    queries(1)
    assert queries(2) == queries(10)


def test_photos_of_donor_and_part(
    bench: Bench, technician: Client, settings: Any, tmp_path: Path
) -> None:
    settings.DATA_DIR = tmp_path
    donor = bench.donor()
    part = bench.part(donor)
    size = {"width": 4, "height": 3, "size_bytes": 9, "kept_at": NOW}

    def grow() -> None:
        for subject in ({"donor": donor, "step": "lid"}, {"part": part}):
            Photo.objects.create(
                workshop=bench.workshop, taken_by=bench.technician, **size, **subject
            )

    for route, ref in (
        ("donor-photos", donor.ref),
        ("part-photos", part.ref),
        ("donor", donor.ref),
        ("part", part.ref),
    ):
        same_at_two_sizes(technician, lambda route=route, ref=ref: reverse(route, args=[ref]), grow)


def test_a_mistyped_code(bench: Bench, technician: Client) -> None:
    def ask() -> int:
        from django.db import connection
        from django.test.utils import CaptureQueriesContext

        with CaptureQueriesContext(connection) as seen:
            assert technician.get(reverse("scan"), {"code": "0001X"}).status_code == 404
        return len(seen)

    ask()
    few = ask()
    for _ in range(4):
        bench.donor()
    assert ask() == few
    assert count_queries(technician, reverse("scan")) <= few
