"""The PDF itself. Judges: pdfium renders it, zxing-cpp reads the codes back, and pdfium says
where every character of text lies."""

import pypdfium2
import pytest
import zxingcpp
from stdnum.iso7064 import mod_37_36

from parts.domain.labels.layout import Content
from parts.domain.labels.sheets import Box, Sheet, roll
from parts.domain.short_codes import codes_after
from parts.label_pdf import calibration_pdf, clean, labels_pdf
from tests.unit.reference import read

SHEETS = [Sheet.of(row) for row in read("label_sheets")]
ROLLS = [roll(62, 29), roll(57, 32), roll(50, 25), roll(100, 150)]
every_sheet = pytest.mark.parametrize("sheet", SHEETS + ROLLS, ids=lambda one: one.words)
MM = 72 / 25.4
LONG = "Motor inverter module of the second board, left (lower) Ω µ żółć "


def labels(count: int, *, before: str = "") -> list[Content]:
    codes, _ = codes_after(40_000, count)
    return [
        Content(
            code, before + code, LONG * 2, "D-0042", LONG, "B-12/3", "tested good", "2026-11-20"
        )
        for code in codes
    ]


def codes_in(pdf: bytes, page: int = 0, dpi: int = 300) -> list[str]:
    with pypdfium2.PdfDocument(pdf) as document:
        image = document[page].render(scale=dpi / 72, grayscale=True).to_numpy()
    return [found.text for found in zxingcpp.read_barcodes(image)]


@every_sheet
@pytest.mark.parametrize("before", ["", "HTTPS://BENCH.MILLRACE.EXAMPLE:8443/P/"])
def test_every_code_is_read_back(sheet: Sheet, before: str) -> None:
    wanted = labels(sheet.per_page, before=before)
    found = codes_in(labels_pdf(wanted, sheet))
    assert sorted(found) == sorted(one.qr for one in wanted)
    assert all(mod_37_36.is_valid(text.removeprefix(before)) for text in found)


@every_sheet
def test_every_character_lies_in_its_label(sheet: Sheet) -> None:
    count = sheet.per_page
    with pypdfium2.PdfDocument(labels_pdf(labels(count), sheet)) as document:
        text = document[0].get_textpage()
        places = [text.get_charbox(n) for n in range(text.count_chars())]
    boxes = sheet.boxes()
    seen = set()
    for left, bottom, right, top in places:
        if right <= left or top <= bottom:
            continue  # blanks and line ends
        x, y = left / MM, sheet.page[1] - top / MM
        box = Box(x, y, (right - left) / MM, (top - bottom) / MM)
        home = [n for n, label in enumerate(boxes) if box.inside(label)]
        assert len(home) == 1
        seen.add(home[0])
    assert seen == set(range(count))


def test_a_half_used_sheet_and_a_second_page() -> None:
    sheet = SHEETS[0]
    wanted = labels(70)
    pdf = labels_pdf(wanted, sheet, start=60)
    assert sorted(codes_in(pdf)) == sorted(one.qr for one in wanted[:6])
    assert sorted(codes_in(pdf, page=1)) == sorted(one.qr for one in wanted[6:])


def test_it_asks_viewers_not_to_scale_and_is_the_same_each_time() -> None:
    pdf = labels_pdf(labels(2), SHEETS[0])
    assert b"/PrintScaling /None" in pdf
    assert pdf == labels_pdf(labels(2), SHEETS[0])


def test_pages_have_the_size_of_the_paper() -> None:
    for sheet in (SHEETS[0], ROLLS[0]):
        with pypdfium2.PdfDocument(labels_pdf(labels(1), sheet)) as document:
            size = document[0].get_size()
        assert size == pytest.approx((sheet.page[0] * MM, sheet.page[1] * MM), abs=0.01)


@every_sheet
def test_outlines(sheet: Sheet) -> None:
    """The outline is dark where labels end, and 100 mm are 100 mm."""
    dpi = 254  # 10 dots a mm
    with pypdfium2.PdfDocument(calibration_pdf(sheet, shift=(1.0, 2.0))) as document:
        image = document[0].render(scale=dpi / 72, grayscale=True).to_numpy()
    box = sheet.boxes()[0].moved(1.0, 2.0)
    column = round((box.x + box.width * 0.7) * 10)
    row = round(box.y * 10)
    assert image[max(0, row - 2) : row + 3, column].min() < 200
    if sheet.page[0] >= 120:
        runs = {longest_dark_run(row) for row in image.reshape(image.shape[:2])}
        assert any(996 <= run <= 1004 for run in runs)


def longest_dark_run(row) -> int:
    best = run = 0
    for dark in row < 100:
        run = run + 1 if dark else 0
        best = max(best, run)
    return best


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("  a \n b\t", "a b"),
        ("Ω µ é ż Ж", "Ω µ é ż Ж"),
        ("e\u0301", "é"),
        ("\u202e\u200bx\x07", "x"),
        ("漢", "?"),
        ("🧰", "?"),
    ],
)
def test_text_the_font_can_show(text: str, shown: str) -> None:
    assert clean(text) == shown
