"""What a reader found on a photo of a rating plate: its lines, the labels it knows, likely facts.

Plain text in, plain text out; which model it is says the catalogue. Nothing here is certain: all
is offered to a person who has the plate before them. Labels: what plates print, common practice.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

import re2

from donors.domain.build_dates import Scheme

MOST_PIECES = 200
MOST_LINES = 60
LONGEST_LINE = 120  # characters
# Boxes overlap by this much of the lower one's height to stand in one line.
SAME_LINE = 0.5
# Of text a browser sends back: RE2 takes time by its length and no more, whatever it holds.
# The last letters of a label are misread like any others: l as I, 1 or a bar.
_GAP = r"[^\pL\pN_]*"
_MODEL = re2.compile(
    rf"(?i)^{_GAP}(?:mod(?:e[li1|!]{{1,2}})?|type?)(?:[^a-z0-9]{_GAP}(?:n[or]\b)?{_GAP}(.*))?$"
)
_SERIAL = re2.compile(
    r"(?i)\b(?:s\s*/\s*n|s\.?n\.?|ser(?:ial)?\.?\s*(?:no|nr|number)?\.?)\s*[:.#]?\s*"
    r"([a-z0-9][a-z0-9\-/]{3,39})\s*$"
)
_DATE_LABEL = r"(?i)\b(?:built|date|prod(?:uced|uction)?|made|mfd|mfg)\b\.?\s*"
_BUILT = re2.compile(
    _DATE_LABEL + r"(?:date|code|week)?\s*[:.]?\s*(\d{4})\s*[-/.]?\s*w?\s*(\d{2})\s*$"
)
_SHORT_CODE = re2.compile(_DATE_LABEL + r"(?:date|code|week)?\s*[:.]?\s*([a-z0-9]{2,5})\s*$")
# "Type of protection IP24", "Type IP24": a class of protection (IEC 60529), no model.
_PROTECTION = re2.compile(r"(?i)^(?:of\b|ip\s*[0-9x]{2}[a-d]?$)")


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of text and where it stands: x to the right, y downwards, in points."""

    text: str
    left: float
    top: float
    right: float
    bottom: float
    slope: float = 0.0  # how much lower its right end lies, for each point to the right

    @property
    def height(self) -> float:
        return max(1.0, self.bottom - self.top)


@dataclass(frozen=True, slots=True)
class Facts:
    """What labels on a plate say. Blank: no label was found. scheme: a name of Scheme or blank."""

    model_number: str = ""
    serial_number: str = ""
    build_code: str = ""
    build_scheme: str = ""


def pieces_of(rows: Iterable[Mapping[str, Any]]) -> list[Piece]:
    """Return the pieces of a reader's answer: rows of text and box (four corners, clockwise)."""
    found = []
    for row in list(rows)[:MOST_PIECES]:
        text = " ".join(str(row["text"]).split())
        (x0, y0), (x1, y1), (x2, y2), (x3, y3) = row["box"]
        slope = (y1 - y0 + y2 - y3) / max(1.0, x1 - x0 + x2 - x3)
        if text:
            middle, half = (y0 + y1 + y2 + y3) / 4, abs(y3 - y0 + y2 - y1) / 4
            left, right = min(x0, x3), max(x1, x2)
            found.append(Piece(text, left, middle - half, right, middle + half, slope))
    return found


def lines_of(pieces: Sequence[Piece]) -> list[str]:
    """Return the lines of a plate from the top, each from the left, its slope taken out."""
    if not pieces:
        return []
    # Long pieces say best how the plate lies.
    longest = sorted(pieces, key=lambda one: one.left - one.right)[: max(1, len(pieces) // 2)]
    slope = median(one.slope for one in longest)
    level = sorted(
        (
            ((one.top + one.bottom - slope * (one.left + one.right)) / 2, place)
            for place, one in enumerate(pieces)
        )
    )
    rows: list[list[tuple[float, Piece]]] = []
    for middle, place in level:
        one = pieces[place]
        if rows and middle - rows[-1][-1][0] < SAME_LINE * min(one.height, rows[-1][-1][1].height):
            rows[-1].append((middle, one))
        else:
            rows.append([(middle, one)])
    lines = []
    for row in rows[:MOST_LINES]:
        words = [one.text for _, one in sorted(row, key=lambda found: found[1].left)]
        lines.append(" ".join(words)[:LONGEST_LINE])
    return lines


def sent_lines(text: str) -> list[str]:
    """Return the lines of text a browser sent back, cut to what a plate has."""
    text = text.encode("utf-8", "replace").decode()
    lines = (" ".join(line.split())[:LONGEST_LINE] for line in text.splitlines())
    return [line for line in lines if line][:MOST_LINES]


def facts_of(lines: Sequence[str]) -> Facts:
    """Return what the labels on the lines say, the first of each."""
    return Facts(
        model_number=_first(_MODEL, lines),
        serial_number=_first(_SERIAL, lines).upper(),
        **_built(lines),
    )


def _first(shape: Any, lines: Sequence[str]) -> str:
    found = (shape.search(line) for line in lines)
    texts = ((one.group(1) or "").strip(" :.") for one in found if one)
    return next((text for text in texts if _number(text) and not _PROTECTION.search(text)), "")


def _number(text: str) -> bool:
    return sum(c.isdigit() for c in text) >= 2


def _built(lines: Sequence[str]) -> dict[str, str]:
    for line in lines:
        if found := _BUILT.search(line):
            year, week = found.groups()
            return {"build_code": f"{year}-W{week}", "build_scheme": Scheme.ISO_WEEK.name}
    for line in lines:
        if (found := _SHORT_CODE.search(line)) and any(c.isdigit() for c in found.group(1)):
            return {"build_code": found.group(1).upper(), "build_scheme": ""}
    return {"build_code": "", "build_scheme": ""}
