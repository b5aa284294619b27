"""The list of what lies in which bin."""

import pytest
from django.test import Client
from django.urls import reverse

from parts.models import Part
from parts.services import PartFacts, add_loose_part
from tests.factories import TODAY, Bench
from tests.integration.web.reading import text_of

pytestmark = pytest.mark.django_db


def put(bench: Bench, where: str) -> Part:
    facts = PartFacts(bin=where, part_number=f"N{where}")
    return add_loose_part(
        workshop=bench.workshop, kind="drain-pump", facts=facts, received_on=TODAY
    )


def test_parts_stand_under_their_bin_in_the_order_of_the_rack(
    bench: Bench, other_bench: Bench, technician: Client
) -> None:
    for where in ("B-1", "A-2", "A-1", ""):
        put(bench, where)
    put(other_bench, "A-9")
    gone = put(bench, "A-3")
    Part.of(bench.workshop).filter(pk=gone.pk).update(state="scrapped", gone_on=TODAY)
    said = text_of(technician.get(reverse("bins")))
    places = [said.index(f"N{where}") for where in ("A-1", "A-2", "B-1")]
    assert places == sorted(places)
    assert "A-3" not in said
    assert "A-9" not in said
    assert "1 part out of its machine in no bin" in said


def test_a_rack_can_be_listed_alone(bench: Bench, technician: Client) -> None:
    for where in ("B-1", "A-2"):
        put(bench, where)
    said = text_of(technician.get(reverse("bins"), {"begins": "a"}))
    assert "NA-2" in said
    assert "NB-1" not in said
    nothing = text_of(technician.get(reverse("bins"), {"begins": "Z"}))
    assert "Nothing lies in a bin here" in nothing
