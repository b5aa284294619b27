"""Choosing parts and printing their labels, on the page and over the API."""

from typing import Any

import pypdfium2
import pytest
import zxingcpp
from django.test import Client
from django.urls import reverse

from parts import services
from parts.models import Part
from parts.services import PartFacts
from tests.factories import TODAY, Bench
from tests.integration.web.reading import text_of

pytestmark = pytest.mark.django_db

SHEET = {"sheet": "24-70x37", "start": "1"}


def codes_in(pdf: bytes) -> list[str]:
    with pypdfium2.PdfDocument(pdf) as document:
        pages = [page.render(scale=300 / 72, grayscale=True).to_numpy() for page in document]
    return sorted(found.text for page in pages for found in zxingcpp.read_barcodes(page))


def shelved(bench: Bench, place: str) -> Part:
    facts = PartFacts(bin=place)
    return services.add_loose_part(
        workshop=bench.workshop, kind="heater", facts=facts, received_on=TODAY
    )


def test_a_donor_s_parts_are_offered_and_printed(bench: Bench, technician: Client) -> None:
    donor = bench.donor()
    parts = list(donor.parts.all())
    page = technician.get(reverse("labels"), {"donor": donor.ref})
    assert all(f'value="{part.ref}"' in page.content.decode() for part in parts)
    ticked = {"part": [part.ref for part in parts[:5]]}
    answer = technician.post(reverse("labels-pdf"), {**SHEET, **ticked})
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    assert codes_in(answer.content) == sorted(part.short_code for part in parts[:5])


def test_a_bin_a_filter_or_nothing(bench: Bench, technician: Client) -> None:
    mine, other = shelved(bench, "A1"), shelved(bench, "B2")
    for asked in ({"bin": "a1"}, {"text": mine.ref}, {"part": mine.ref}):
        html = technician.get(reverse("labels"), asked).content.decode()
        assert f'value="{mine.ref}"' in html
        assert f'value="{other.ref}"' not in html
    assert "Name a donor" in text_of(technician.get(reverse("labels")))


def test_what_cannot_be_printed_is_said_by_field(bench: Bench, technician: Client) -> None:
    part = shelved(bench, "A1")
    for wrong, words in (
        ({"start": "25"}, "this sheet has 1 to 24"),
        ({"sheet": "roll"}, "is missing; give it in mm"),
        ({"sheet": "roll", "width_mm": "5", "length_mm": "30"}, "below 20"),
        ({"dx_mm": "9"}, "above 5"),
        ({"part": []}, "No part is chosen"),
        ({"sheet": "none"}, "none of the choices"),
        ({"start": ""}, "needed"),
        ({"part": ["\x00"]}, "No part is chosen"),
    ):
        answer = technician.post(reverse("labels-pdf"), {**SHEET, "part": [part.ref], **wrong})
        assert answer.status_code == 400, wrong
        assert words in text_of(answer), wrong
    unknown = technician.post(reverse("labels-pdf"), {**SHEET, "part": ["X-9"]})
    assert unknown.status_code == 404


def test_a_refusal_shows_the_parts_again(bench: Bench, technician: Client) -> None:
    part, other = shelved(bench, "A1"), shelved(bench, "A1")
    address = reverse("labels-pdf") + "?bin=A1"
    assert address in technician.get(reverse("labels"), {"bin": "A1"}).content.decode()
    nothing = technician.post(address, SHEET)
    assert nothing.status_code == 400
    assert f'value="{part.ref}"' in nothing.content.decode()
    some = technician.post(address, {**SHEET, "start": "99", "part": [part.ref]})
    assert f'value="{part.ref}"' in some.content.decode()
    assert f'value="{other.ref}"' not in some.content.decode()


def test_outlines(bench: Bench, technician: Client) -> None:
    answer = technician.post(reverse("labels-outlines"), SHEET)
    assert answer.content.startswith(b"%PDF-")


def test_a_label_leads_to_the_part_at_the_site_s_address(
    bench: Bench, technician: Client, sign_in: Any
) -> None:
    part = shelved(bench, "A1")
    owner = Client()
    owner.force_login(bench.members["owner"].user)
    stored = owner.post(reverse("labels-address"), {"address": "https://Bench.example:8443/"})
    assert stored.status_code == 302
    pdf = technician.post(reverse("labels-pdf"), {**SHEET, "part": [part.ref]}).content
    address = f"HTTPS://BENCH.EXAMPLE:8443/P/{part.short_code}"
    assert codes_in(pdf) == [address]
    path = address.removeprefix("HTTPS://BENCH.EXAMPLE:8443")
    assert technician.get(path).url == reverse("part", args=[part.ref])
    for bad in ("bench", "https://bench.example/a/path", "javascript:x", "https://ü.example"):
        answer = owner.post(reverse("labels-address"), {"address": bad})
        assert answer.status_code == 400, bad
    bench.workshop.refresh_from_db()
    assert bench.workshop.label_address == "https://bench.example:8443"


class TestOverTheApi:
    def post(self, client: Any, **body: Any) -> Any:
        body = {"sheet": "65-38x21", **body}
        return client.post("/api/v1/labels/", body, format="json")

    def test_sheets(self, bench: Bench, sign_in: Any) -> None:
        rows = sign_in("technician").get("/api/v1/label-sheets/").data
        assert rows[0]["label_mm"] == [38.1, 21.2]

    def test_labels(self, bench: Bench, sign_in: Any) -> None:
        client, donor, part = sign_in("cataloguer"), bench.donor(), shelved(bench, "A1")
        for asked, wanted in (
            ({"parts": [part.ref]}, [part]),
            ({"bin": "A1"}, [part]),
            ({"donor": donor.ref}, list(donor.parts.all())),
        ):
            answer = self.post(client, **asked)
            assert answer["Content-Type"] == "application/pdf"
            assert codes_in(answer.content) == sorted(one.short_code for one in wanted)

    @pytest.mark.parametrize("accept", ["*/*", "application/pdf", "application/json"])
    def test_refusals_are_problems_whatever_is_accepted(
        self, bench: Bench, sign_in: Any, accept: str
    ) -> None:
        client = sign_in("technician")
        client.credentials(HTTP_ACCEPT=accept)
        for body, status, field in (
            ({"parts": ["X-9"]}, 404, None),
            ({"parts": []}, 400, "parts"),
            ({"parts": ["X"], "sheet": "none"}, 400, "sheet"),
            ({"bin": "Q", "sheet": "roll", "width_mm": 62}, 400, "length_mm"),
            ({"parts": ["X"], "start": 0}, 400, "start"),
        ):
            answer = self.post(client, **body)
            assert answer.status_code == status
            assert answer["Content-Type"] == "application/problem+json"
            problem = answer.json() if hasattr(answer, "json") else None
            if field:
                assert [one["field"] for one in problem["errors"]] == [field]

    def test_another_workshop_s_parts(self, bench: Bench, other_bench: Bench, sign_in: Any) -> None:
        theirs = other_bench.donor(ref="D-77")
        client = sign_in("owner")
        assert self.post(client, parts=[theirs.parts.first().ref]).status_code == 404
        assert self.post(client, donor="D-77").status_code == 400
