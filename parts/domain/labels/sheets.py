"""Sheets of labels by their own dimensions, and rolls by width and length.

Millimetres from the top left corner of the page. A4 is 210 x 297 mm (ISO 216).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from workshop.domain.refusals import Checks

A4 = (210.0, 297.0)
# Printers leave the edge of a sheet blank (common practice: about 4 mm).
PAGE_EDGE = 4.0
LABEL_EDGE = 1.5  # for what the paper may lie off
ROLL_WIDTHS = (20.0, 110.0)
ROLL_LENGTHS = (15.0, 300.0)
MOST_SHIFT = 5.0


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle: its top left corner, width and height."""

    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        return self.x + self.width

    @property
    def bottom(self) -> float:
        return self.y + self.height

    def inside(self, other: "Box", *, spare: float = 1e-6) -> bool:
        return (
            self.x >= other.x - spare
            and self.y >= other.y - spare
            and self.right <= other.right + spare
            and self.bottom <= other.bottom + spare
        )

    def overlaps(self, other: "Box", *, spare: float = 1e-6) -> bool:
        return (
            self.x < other.right - spare
            and other.x < self.right - spare
            and self.y < other.bottom - spare
            and other.y < self.bottom - spare
        )

    def moved(self, dx: float, dy: float) -> "Box":
        return Box(self.x + dx, self.y + dy, self.width, self.height)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A page of equal labels in rows and columns. On a roll each label is a page."""

    slug: str
    page: tuple[float, float]
    columns: int
    rows: int
    label: tuple[float, float]
    margin: tuple[float, float]
    pitch: tuple[float, float]
    edge: float = PAGE_EDGE

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> "Sheet":
        """Return the sheet of a row of label_sheets.json."""
        return cls(
            slug=row["slug"],
            page=A4,
            columns=row["columns"],
            rows=row["rows"],
            label=(row["label_mm"][0], row["label_mm"][1]),
            margin=(row["margin_mm"][0], row["margin_mm"][1]),
            pitch=(row["pitch_mm"][0], row["pitch_mm"][1]),
        )

    @property
    def per_page(self) -> int:
        return self.columns * self.rows

    @property
    def words(self) -> str:
        width, height = self.label
        if self.per_page == 1:
            return f"roll, {width:g} × {height:g} mm"
        return f"A4, {self.per_page} of {width:g} × {height:g} mm"

    def boxes(self) -> list[Box]:
        """Return every label of a page, row by row."""
        return [
            Box(
                self.margin[0] + column * self.pitch[0],
                self.margin[1] + row * self.pitch[1],
                *self.label,
            )
            for row in range(self.rows)
            for column in range(self.columns)
        ]

    def printable(self, label: Box) -> Box:
        """Return the part of a label that may be printed on."""
        left = max(label.x + LABEL_EDGE, self.edge)
        top = max(label.y + LABEL_EDGE, self.edge)
        right = min(label.right - LABEL_EDGE, self.page[0] - self.edge)
        bottom = min(label.bottom - LABEL_EDGE, self.page[1] - self.edge)
        return Box(left, top, right - left, bottom - top)

    def places(self, count: int, *, start: int = 1) -> Iterator[tuple[int, Box]]:
        """Yield (page from 0, label) of `count` labels; the first lies at position `start`.

        start: from 1, row by row; those before it are used up already. Raises ValueRefused.
        """
        with Checks() as check:
            if not 1 <= start <= self.per_page:
                check.refuse(
                    "start", f"{start} is no position; this sheet has 1 to {self.per_page}"
                )
        boxes = self.boxes()
        return (
            (number // self.per_page, boxes[number % self.per_page])
            for number in range(start - 1, start - 1 + count)
        )


def roll(width_mm: float | None, length_mm: float | None) -> Sheet:
    """Return a roll of single labels. Raises ValueRefused outside what printers take."""
    with Checks() as check:
        for name, value, (least, most) in (
            ("width_mm", width_mm, ROLL_WIDTHS),
            ("length_mm", length_mm, ROLL_LENGTHS),
        ):
            check.number(name, value, "mm", least=least, most=most)
    size = (float(width_mm or 0), float(length_mm or 0))
    return Sheet("roll", size, 1, 1, size, (0.0, 0.0), size, edge=0.0)


def check_shift(dx_mm: float, dy_mm: float) -> None:
    """Raise ValueRefused when a printer is said to be off by more than it can be."""
    with Checks() as check:
        for name, value in (("dx_mm", dx_mm), ("dy_mm", dy_mm)):
            check.number(name, value, "mm", least=-MOST_SHIFT, most=MOST_SHIFT)
