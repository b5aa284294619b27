"""Where the curve of the waiting odds lies on its drawing; the same stands in a table beside it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from matching.domain.waiting import Point

WIDTH, HEIGHT = 640, 240
LEFT, RIGHT, TOP, BOTTOM = 52, 12, 12, 34
EVERY_DAYS, EVERY_SHARE = 10, 4
TABLE_EVERY = 5


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis: where, and its words."""

    at: float
    words: str


@dataclass(frozen=True)
class Chart:
    """line, band: what the SVG draws; rows: the points of the table."""

    line: str
    band: str
    days: tuple[Tick, ...]
    shares: tuple[Tick, ...]
    rows: tuple[Point, ...]
    median: Tick | None
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT
    top: int = TOP
    bottom: int = HEIGHT - BOTTOM


def chart(points: Sequence[Point], median_days: float | None) -> Chart:
    """Lay out a curve by days, with its band. points: from day 0 on, one a day."""
    last = points[-1].days

    def x(day: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * day / last, 1)

    def y(chance: float) -> float:
        return round(TOP + (HEIGHT - TOP - BOTTOM) * (1 - chance), 1)

    def path(pairs: Iterable[tuple[float, float]]) -> str:
        return " ".join(f"{x(day)},{y(chance)}" for day, chance in pairs)

    low = [(one.days, one.low) for one in points]
    high = [(one.days, one.high) for one in points]
    middle = (
        Tick(x(median_days), f"{median_days:.0f}") if median_days and median_days <= last else None
    )
    return Chart(
        line=path((one.days, one.chance) for one in points),
        band=path([*low, *reversed(high)]),
        days=tuple(Tick(x(day), str(day)) for day in range(0, int(last) + 1, EVERY_DAYS)),
        shares=tuple(
            Tick(y(part / EVERY_SHARE), f"{100 * part / EVERY_SHARE:.0f} %")
            for part in range(EVERY_SHARE + 1)
        ),
        rows=tuple(one for one in points if one.days % TABLE_EVERY == 0 and one.days),
        median=middle,
    )
