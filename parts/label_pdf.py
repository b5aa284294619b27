"""Label sheets as PDF: vector QR codes (ISO/IEC 18004, by segno) and real text.

The font is DejaVu Sans Condensed (parts/fonts/): it holds Latin, Greek and Cyrillic, which
none of PDF's standard fonts do.
"""

import io
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import segno
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from parts.domain.labels.layout import MM_PER_POINT, QUIET_ZONE, Content, Laid, lay_out
from parts.domain.labels.sheets import Box, Sheet

FONTS = Path(__file__).parent / "fonts"
PLAIN, BOLD = "Label", "Label-Bold"
UNKNOWN = "?"
ASCENT = 0.93  # of the font, by its size
PRINT_NOTE = "Print at 100 % (actual size), not fitted to the page."


def labels_pdf(
    contents: Sequence[Content],
    sheet: Sheet,
    *,
    start: int = 1,
    shift: tuple[float, float] = (0.0, 0.0),
) -> bytes:
    """Return the labels as PDF, in order, from position `start` of the first sheet.

    shift: how far to move everything right and down, in mm. Raises ValueRefused.
    """
    _load_fonts()
    places = list(sheet.places(len(contents), start=start))
    laid = [_laid(content, sheet.printable(box)) for content, (_, box) in _pairs(contents, places)]
    canvas, out = _canvas(sheet, "Labels")
    page = 0
    for label, (number, _) in zip(laid, places, strict=True):
        while page < number:
            canvas.showPage()
            page += 1
        _draw(canvas, sheet, label, shift)
    canvas.save()
    return out.getvalue()


def calibration_pdf(sheet: Sheet, *, shift: tuple[float, float] = (0.0, 0.0)) -> bytes:
    """Return a page of outlines and rulers, to lay over a sheet and hold against the light."""
    _load_fonts()
    canvas, out = _canvas(sheet, "Outlines")
    canvas.setLineWidth(0.3)
    boxes = [box.moved(*shift) for box in sheet.boxes()]
    for box in boxes:
        canvas.rect(*_points(sheet, box), stroke=1, fill=0)
    for number, box in enumerate(boxes, start=1):
        _number(canvas, sheet, sheet.printable(box.moved(-shift[0], -shift[1])), number, shift)
    _ruler(canvas, sheet, shift)
    canvas.save()
    return out.getvalue()


def _pairs(contents: Sequence[Content], places: Iterable[Any]) -> Iterator[Any]:
    return zip((_printable(content) for content in contents), places, strict=True)


def _canvas(sheet: Sheet, title: str) -> tuple[Canvas, io.BytesIO]:
    out = io.BytesIO()
    size = (sheet.page[0] * mm, sheet.page[1] * mm)
    canvas = Canvas(out, pagesize=size, invariant=1)
    canvas.setTitle(title)
    canvas.setSubject(PRINT_NOTE)
    # Tells viewers that know it (ISO 32000) not to scale.
    canvas.setViewerPreference("PrintScaling", "None")
    return canvas, out


def _points(sheet: Sheet, box: Box) -> tuple[float, float, float, float]:
    """Return a box as PDF has it: points, from the bottom left."""
    y = sheet.page[1] - box.bottom
    return box.x * mm, y * mm, box.width * mm, box.height * mm


def _laid(content: Content, area: Box) -> tuple[Laid, tuple[bytes, ...]]:
    matrix = _matrix(content.qr)
    return lay_out(content, area, len(matrix), measure), matrix


@lru_cache(maxsize=1024)
def _matrix(text: str) -> tuple[bytes, ...]:
    """Return the dark modules of a QR code, at least level M."""
    return tuple(bytes(row) for row in segno.make(text, micro=False, error="m").matrix)


def measure(text: str, bold: bool, size: float) -> float:
    """Return how wide a text runs, in mm."""
    name = BOLD if bold else PLAIN
    width: float = pdfmetrics.stringWidth(text, name, size)
    return width * MM_PER_POINT


def _draw(
    canvas: Canvas,
    sheet: Sheet,
    label: tuple[Laid, tuple[bytes, ...]],
    shift: tuple[float, float],
) -> None:
    laid, matrix = label
    _draw_qr(canvas, sheet, laid.qr.moved(*shift), matrix)
    for line in laid.lines:
        box = line.box.moved(*shift)
        canvas.setFont(BOLD if line.bold else PLAIN, line.size)
        baseline = (sheet.page[1] - box.y) * mm - ASCENT * line.size
        canvas.drawString(box.x * mm, baseline, line.text)


def _draw_qr(canvas: Canvas, sheet: Sheet, box: Box, matrix: tuple[bytes, ...]) -> None:
    """Draw the dark modules as one path; each row's runs are one rectangle."""
    module = box.width / (len(matrix) + 2 * QUIET_ZONE)
    path = canvas.beginPath()
    for y, row in enumerate(matrix):
        top = box.y + (QUIET_ZONE + y) * module
        for x, run in _runs(row):
            left = box.x + (QUIET_ZONE + x) * module
            path.rect(*_points(sheet, Box(left, top, run * module, module)))
    canvas.drawPath(path, stroke=0, fill=1)


def _runs(row: bytes) -> Iterator[tuple[int, int]]:
    """Yield (first module, length) of each dark run."""
    start = None
    for x, dark in enumerate([*row, 0]):
        if dark and start is None:
            start = x
        elif not dark and start is not None:
            yield start, x - start
            start = None


def _number(
    canvas: Canvas, sheet: Sheet, area: Box, number: int, shift: tuple[float, float]
) -> None:
    canvas.setFont(PLAIN, 8)
    x, y, _, height = _points(sheet, area.moved(*shift))
    canvas.drawString(x, y + height - 8, str(number))


def _ruler(canvas: Canvas, sheet: Sheet, shift: tuple[float, float]) -> None:
    """Draw a line of whole centimetres within the middle row, with what to do about it."""
    length = 100.0 if sheet.page[0] >= 120 else 10.0
    row = sheet.boxes()[sheet.rows // 2 * sheet.columns]
    middle = row.y + 0.6 * row.height
    left = (sheet.page[0] - length) / 2
    x, y, width, _ = _points(sheet, Box(left, middle, length, 0).moved(*shift))
    canvas.setLineWidth(0.8)
    canvas.line(x, y, x + width, y)
    for end in (x, x + width):
        canvas.line(end, y - 6, end, y + 6)
    if length < 100:
        return
    canvas.setFont(PLAIN, 8)
    canvas.drawCentredString(x + width / 2, y + 4, f"{PRINT_NOTE} This line is then 100 mm long.")


def _printable(content: Content) -> Content:
    names = ("kind", "donor", "model_number", "bin", "grade", "dated")
    return Content(
        code=content.code,
        qr=content.qr,
        **{name: clean(getattr(content, name)) for name in names},
    )


def clean(text: str) -> str:
    """Return the text as one line the font can show; what it has no sign for becomes "?"."""
    composed = unicodedata.normalize("NFC", " ".join(text.split()))
    seen = [c for c in composed if unicodedata.category(c) not in {"Cc", "Cf", "Cs", "Co", "Cn"}]
    glyphs = _glyphs()
    return "".join(c if ord(c) in glyphs else UNKNOWN for c in seen)


@lru_cache(maxsize=1)
def _glyphs() -> frozenset[int]:
    _load_fonts()
    fonts = [pdfmetrics.getFont(name) for name in (PLAIN, BOLD)]
    return frozenset(set(fonts[0].face.charToGlyph) & set(fonts[1].face.charToGlyph))


@lru_cache(maxsize=1)
def _load_fonts() -> None:
    for name, file in ((PLAIN, "DejaVuSansCondensed"), (BOLD, "DejaVuSansCondensed-Bold")):
        pdfmetrics.registerFont(TTFont(name, str(FONTS / f"{file}.ttf")))
