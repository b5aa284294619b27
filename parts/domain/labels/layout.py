"""What stands where on one label: the QR code, and lines that never leave or overlap.

Millimetres; type sizes in points (1/72 inch). How wide a text runs is asked of the caller.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from parts.domain.labels.sheets import Box
from workshop.domain.refusals import ValueRefused

MM_PER_POINT = 25.4 / 72
QUIET_ZONE = 4  # modules, ISO/IEC 18004 (from memory)
LEAST_MODULE = 0.33  # mm; common practice for hand scanners (13 mil)
LARGEST_QR = 34.0
GAP = 1.0
SIZES = (14.0, 12.0, 10.0, 9.0, 8.0, 7.0, 6.5, 6.0, 5.5, 5.0)
LINE = 1.2  # height of a line by its type size; ascent and descent of the font are 1.17
CODE_SCALE = 1.4
SHORTENED = "…"

# (text, bold, size in points) -> width in mm
Measure = Callable[[str, bool, float], float]


@dataclass(frozen=True, slots=True)
class Content:
    """What a label says. "" is not said. `code` is never shortened."""

    code: str
    qr: str
    kind: str = ""
    donor: str = ""
    model_number: str = ""
    bin: str = ""
    grade: str = ""
    dated: str = ""

    def lines(self) -> list[str]:
        """Return the lines under the code, the most telling first."""
        place = f"Bin {self.bin}" if self.bin else ""
        found = (self.kind, self.donor, place, self.model_number, self.grade, self.dated)
        return [line for line in found if line]


@dataclass(frozen=True, slots=True)
class Line:
    """A text and the box it fills."""

    text: str
    box: Box
    size: float
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Laid:
    """A label laid out. `qr` is the square of the code with its quiet zone."""

    qr: Box
    lines: tuple[Line, ...]


def lay_out(content: Content, area: Box, modules: int, measure: Measure) -> Laid:
    """Return where the code and the lines stand in the printable area of a label.

    modules: modules of the QR code a side, without its quiet zone. Lines that find no room are
    left out, the least telling first; those too long end in an ellipsis.
    Raises ValueRefused when the QR code would be too fine to scan.
    """
    beside = area.width >= 1.25 * area.height
    qr = _code_box(area, beside=beside)
    module = qr.width / (modules + 2 * QUIET_ZONE)
    if module < LEAST_MODULE:
        raise ValueRefused(
            {
                "sheet": f"the code would be too fine to scan here ({module:.2f} mm a module, at "
                f"least {LEAST_MODULE} mm); take a larger label or shorten the address"
            }
        )
    if beside:
        left = qr.right + GAP
        room = Box(left, area.y, area.right - left, area.height)
    else:
        top = qr.bottom + GAP
        room = Box(area.x, top, area.width, area.bottom - top)
    lines = _lines(content, room, measure)
    return Laid(qr, _centred(lines, room) if beside else lines)


def _code_box(area: Box, *, beside: bool) -> Box:
    if beside:
        side = min(area.height, 0.47 * area.width, LARGEST_QR)
        return Box(area.x, area.y + (area.height - side) / 2, side, side)
    side = min(area.width, 0.6 * area.height, LARGEST_QR)
    return Box(area.x + (area.width - side) / 2, area.y, side, side)


def _lines(content: Content, room: Box, measure: Measure) -> tuple[Line, ...]:
    """Return the lines in the largest type in which all fit, else as many as fit in small type."""
    texts = content.lines()
    for size in SIZES:
        head = _head(content.code, room, size, measure)
        fits = head.box.height + len(texts) * _height(size) <= room.height
        if fits and all(measure(text, False, size) <= room.width for text in texts):
            break
    else:
        size = _small(room, len(texts))
        head = _head(content.code, room, size, measure)
    found = [head]
    for text in texts:
        top = found[-1].box.bottom
        if top + _height(size) > room.bottom:
            break
        found.append(_line(text, room, top, size, measure))
    return tuple(line for line in found if line.text)


def _small(room: Box, lines: int) -> float:
    """Return the size for texts that have to be shortened: readable, and all lines if it goes."""
    for size in SIZES:
        if size <= 7 and (CODE_SCALE + lines) * _height(size) <= room.height:
            return size
    return SIZES[-1]


def _head(code: str, room: Box, size: float, measure: Measure) -> Line:
    """Return the code's line, in type as large as it runs in the room."""
    wanted = CODE_SCALE * size
    width = measure(code, True, wanted)
    if width > room.width:
        wanted *= room.width / width * 0.999
    return Line(
        code,
        Box(room.x, room.y, measure(code, True, wanted), _height(wanted)),
        wanted,
        bold=True,
    )


def _line(text: str, room: Box, top: float, size: float, measure: Measure) -> Line:
    text = shorten(text, room.width, lambda t: measure(t, False, size))
    return Line(text, Box(room.x, top, measure(text, False, size), _height(size)), size)


def shorten(text: str, width: float, measure: Callable[[str], float]) -> str:
    """Return the text, cut with an ellipsis so that it runs no wider; "" when nothing fits."""
    if measure(text) <= width:
        return text
    low, high = 0, len(text)  # the longest beginning that fits, by halving
    while low < high:
        middle = (low + high + 1) // 2
        if measure(text[:middle].rstrip() + SHORTENED) <= width:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + SHORTENED if low else ""


def _centred(lines: Sequence[Line], room: Box) -> tuple[Line, ...]:
    spare = (room.bottom - lines[-1].box.bottom) / 2
    return tuple(replace(line, box=line.box.moved(0, spare)) for line in lines)


def _height(size: float) -> float:
    return LINE * size * MM_PER_POINT
