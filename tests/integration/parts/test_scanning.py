"""A photo of a label leads where its typed code leads; codes of elsewhere are shown, not opened.

Pictures are generated: by our own PDF of labels (rendered by pdfium) and by segno.
"""

import io
from typing import Any

import numpy as np
import pypdfium2
import pytest
import segno
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image, ImageFilter

from parts import code_photos, labels
from parts.models import Part
from tests import uploads
from tests.factories import Bench
from tests.integration.web.reading import text_of
from workshop.errors import InputRefused

pytestmark = pytest.mark.django_db
FOREIGN = "https://elsewhere.example/P/0001E"


def picture_of(text: str, scale: int = 8) -> Image.Image:
    out = io.BytesIO()
    segno.make(text).save(out, kind="png", scale=scale, border=4)
    return Image.open(out).convert("L")


def as_jpeg(picture: Image.Image, quality: int = 85) -> bytes:
    out = io.BytesIO()
    picture.convert("RGB").save(out, "JPEG", quality=quality)
    return out.getvalue()


def send(client: Client, data: bytes) -> Any:
    file = SimpleUploadedFile("label.jpg", data, content_type="image/jpeg")
    return client.post(reverse("scan-photo"), {"photo": file})


def a_part(bench: Bench) -> Part:
    return bench.part(bench.donor())


def test_a_label_we_printed_leads_to_its_part(bench: Bench, technician: Client) -> None:
    part = a_part(bench)
    sheet = labels.get_sheet("roll", width_mm=62, length_mm=29)
    pdf = labels.print_labels(workshop=bench.workshop, refs=[part.ref], sheet=sheet)
    with pypdfium2.PdfDocument(pdf) as document:
        picture = document[0].render(scale=200 / 72).to_pil()
    answer = send(technician, as_jpeg(picture))
    assert answer.url == f"{reverse('scan')}?code={part.short_code}"
    assert technician.get(answer.url).url == reverse("part", args=[part.ref])


@pytest.mark.any_engine
@pytest.mark.parametrize("spoiled", ["turned", "tiny", "blurred", "noisy", "askew", "dark"])
def test_codes_on_poor_photos_are_read(spoiled: str) -> None:
    picture = picture_of("0001E")
    if spoiled == "turned":
        picture = picture.rotate(33, expand=True, fillcolor=255)
    if spoiled == "tiny":
        picture = picture_of("0001E", scale=2)
    if spoiled == "blurred":
        picture = picture.filter(ImageFilter.GaussianBlur(2.5))
    if spoiled == "noisy":
        grain = np.random.default_rng(1).normal(0, 40, (picture.height, picture.width))
        points = np.asarray(picture, dtype=float) + grain
        picture = Image.fromarray(np.clip(points, 0, 255).astype("uint8"))
    if spoiled == "askew":
        wide = Image.new("L", (picture.width + 120, picture.height + 120), 255)
        wide.paste(picture, (60, 60))
        picture, (width, height) = wide, wide.size
        corners = (0, 0, 20, height - 10, width, height - 50, width - 40, 25)
        picture = picture.transform(picture.size, Image.Transform.QUAD, corners, fillcolor=255)
    if spoiled == "dark":
        picture = picture.point(lambda level: 20 + level // 5)
    assert code_photos.read_codes(as_jpeg(picture)) == ["0001E"]


@pytest.mark.parametrize(
    "text",
    [
        FOREIGN,
        "HTTPS://ELSEWHERE.EXAMPLE/P/{code}",
        "javascript://%0aalert(1)//P/{code}",
        "https://testserver@elsewhere.example/P/{code}",
        "https://testserver.elsewhere.example/P/{code}",
        "https://testserver/sign-out/?next={code}",
        "https://[bad/P/{code}",
    ],
)
def test_addresses_of_elsewhere_are_shown_and_never_opened(
    bench: Bench, technician: Client, text: str
) -> None:
    text = text.format(code=a_part(bench).short_code)
    answer = technician.get(reverse("scan"), {"code": text})
    assert answer.status_code == 200
    assert "It is not opened" in text_of(answer)
    assert f'href="{text}' not in answer.content.decode()
    assert answer.context["foreign"] == text


@pytest.mark.parametrize("host", ["testserver", "bench.millrace.example:8443", "site.example"])
def test_addresses_of_our_own_labels_are_followed(
    bench: Bench, technician: Client, settings: Any, host: str
) -> None:
    settings.SITE_ADDRESS = "https://site.example"
    labels.set_label_address(workshop=bench.workshop, address="https://bench.millrace.example:8443")
    bench.workshop.refresh_from_db()
    part = a_part(bench)
    answer = technician.get(
        reverse("scan"), {"code": f"HTTPS://{host.upper()}/P/{part.short_code}"}
    )
    assert answer.url == reverse("part", args=[part.ref])


def test_a_foreign_code_on_a_photo_is_shown(bench: Bench, technician: Client) -> None:
    answer = send(technician, as_jpeg(picture_of(FOREIGN)))
    assert answer.url.startswith(reverse("scan") + "?code=https%3A%2F%2Felsewhere")
    assert "It is not opened" in text_of(technician.get(answer.url))


def test_several_codes_are_offered(bench: Bench, technician: Client) -> None:
    one, two = picture_of("0001E"), picture_of("0002C")
    both = Image.new("L", (one.width + two.width, one.height), 255)
    both.paste(one, (0, 0))
    both.paste(two, (one.width, 0))
    page = send(technician, as_jpeg(both))
    assert page.status_code == 200
    assert sorted(page.context["several"]) == ["0001E", "0002C"]


def test_nothing_read_and_nothing_sent_are_said(bench: Bench, technician: Client) -> None:
    blank = send(technician, as_jpeg(Image.new("L", (200, 200), 255)))
    assert (blank.status_code, "No code could be read" in text_of(blank)) == (400, True)
    none = technician.post(reverse("scan-photo"), {})
    assert (none.status_code, "No photo was chosen" in text_of(none)) == (400, True)


@pytest.mark.any_engine
@pytest.mark.parametrize("name", uploads.bad())
def test_hostile_pictures_are_refused(name: str) -> None:
    with pytest.raises(InputRefused):
        code_photos.read_codes(uploads.bad()[name])


@pytest.mark.any_engine
def test_a_reader_that_dies_or_hangs_is_a_refusal(monkeypatch, tmp_path) -> None:
    monkeypatch.setattr(code_photos, "PATIENCE_S", 1.0)
    for ends in ("import os; os.kill(os.getpid(), 9)", "while True: pass"):
        program = tmp_path / "program.py"
        program.write_text(ends)
        monkeypatch.setattr(code_photos, "_PROGRAM", program)
        with pytest.raises(InputRefused, match="not read"):
            code_photos.read_codes(uploads.jpeg())
