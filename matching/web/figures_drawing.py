"""Figures as drawings: bars of shares and counts, and step curves. Numbers stand in tables.

Everything is in units of the drawing, which a phone shows at about one to one.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from matching.domain.lasting import Lasting
from matching.figures.needs import Filled

WIDTH, HEIGHT = 360, 216
LEFT, RIGHT, TOP, BOTTOM = 42, 16, 20, 34
ACROSS, UP = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
FLOORS = (80, 50, 0)  # percent a curve's scale may begin at; a drawing says so
MOST_LABELS = 6  # along the foot
LETTER_GAP = 11.0
LETTERS = "abcde"
MOST_CURVES = len(LETTERS)
ROW = 30  # of a lying bar


@dataclass(frozen=True, slots=True)
class Frame:
    """The frame a drawing stands in, and what is written at its side and foot."""

    side: tuple[tuple[float, str], ...]
    foot: tuple[tuple[float, str], ...]
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    top: int = TOP
    right: int = WIDTH - RIGHT
    bottom: int = HEIGHT - BOTTOM
    across: int = ACROSS
    up: int = UP


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar with the ends of its interval; few: too little to be read (hollow)."""

    x: float
    y: float
    width: float
    height: float
    middle: float
    low: float | None = None
    high: float | None = None
    few: bool = False


@dataclass(frozen=True, slots=True)
class Bars:
    frame: Frame
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """A step curve: its line, its band as an outline, its letter and where that stands."""

    name: str
    letter: str
    style: int
    line: str
    band: str
    end_x: float
    end_y: float
    letter_y: float


@dataclass(frozen=True, slots=True)
class Curves:
    """floor: percent the scale begins at."""

    frame: Frame
    curves: tuple[Curve, ...]
    floor: int = 0


@dataclass(frozen=True, slots=True)
class Lying:
    """A lying bar with its words above it."""

    y: float
    text_y: float
    width: float
    name: str
    said: str


def _up(share: float, floor: int = 0) -> float:
    """Return the height of a share on a scale that begins at `floor` percent."""
    return round(TOP + UP * (1.0 - share) / (1.0 - floor / 100), 1)


def _share_side(floor: int = 0) -> tuple[tuple[float, str], ...]:
    ticks = (floor + (100 - floor) * part / 4 for part in range(5))
    return tuple((_up(tick / 100, floor), f"{tick:g}") for tick in ticks)


def _month_foot(months: Sequence[date], step: float) -> tuple[tuple[float, str], ...]:
    every = -(-len(months) // MOST_LABELS)
    return tuple(
        (round(LEFT + step * (place + 0.5), 1), f"{month:%m/%y}")
        for place, month in enumerate(months)
        if place % every == 0
    )


def share_bars(months: Sequence[tuple[date, Filled]], *, few: int) -> Bars:
    """Draw the fill rate of each month with its interval; months that say nothing stay empty."""
    step = ACROSS / max(1, len(months))
    wide = max(1.0, step * 0.6)
    bars = []
    for place, (_, one) in enumerate(months):
        if one.share is None:
            continue
        low, high = one.interval
        middle = LEFT + step * (place + 0.5)
        top = _up(one.share)
        bars.append(
            Bar(
                x=round(middle - wide / 2, 1),
                y=top,
                width=round(wide, 1),
                height=round(TOP + UP - top, 1),
                middle=round(middle, 1),
                low=_up(low),
                high=_up(high),
                few=one.settled < few,
            )
        )
    return Bars(Frame(_share_side(), _month_foot([m for m, _ in months], step)), tuple(bars))


def count_bars(months: Sequence[tuple[date, int]]) -> Bars:
    """Draw a count for each month, to a round top."""
    most = _round_up(max((count for _, count in months), default=0))
    step = ACROSS / max(1, len(months))
    wide = max(1.0, step * 0.6)
    bars = []
    for place, (_, count) in enumerate(months):
        top, middle = _up(count / most), LEFT + step * (place + 0.5)
        height = round(TOP + UP - top, 1)
        bars.append(Bar(round(middle - wide / 2, 1), top, round(wide, 1), height, round(middle, 1)))
    side = tuple((_up(part / 4), f"{most * part / 4:g}") for part in range(5))
    return Bars(Frame(side, _month_foot([m for m, _ in months], step)), tuple(bars))


def _round_up(most: int) -> int:
    """Return a top that four lines divide evenly: 4, 8, 20, 40, 80, 200 …"""
    size = 1
    while True:
        for step in (4, 8, 20):
            if most <= step * size:
                return step * size
        size *= 10


def curves(groups: Iterable[tuple[str, Lasting]], *, banded: bool = False) -> Curves:
    """Draw the share still working (or waiting) by days, at most MOST_CURVES groups."""
    shown = [(name, found) for name, found in groups if found.count][:MOST_CURVES]
    longest = max((found.watched_days for _, found in shown), default=0.0) or 1.0
    scale = ACROSS / longest
    floor = _floor([found for _, found in shown], banded)
    drawn = [
        _curve(place, name, found, scale, floor, banded)
        for place, (name, found) in enumerate(shown)
    ]
    foot = tuple(
        (round(LEFT + scale * longest * part / 4, 1), f"{longest * part / 4:.0f}")
        for part in range(5)
    )
    return Curves(Frame(_share_side(floor), foot), tuple(_letters_apart(drawn)), floor)


def _floor(some: Sequence[Lasting], banded: bool) -> int:
    """Return the highest floor that nothing drawn falls below."""
    ends = [step.low if banded else step.working for one in some for step in one.steps]
    least = 100 * min(ends, default=1.0)
    return next(floor for floor in FLOORS if floor <= least)


def _curve(place: int, name: str, found: Lasting, scale: float, floor: int, banded: bool) -> Curve:
    def along(day: float) -> float:
        return round(LEFT + scale * day, 1)

    line, last = [f"M{LEFT:g} {_up(1, floor):g}"], 1.0
    for step in found.steps:
        line.append(f"H{along(step.day):g}V{_up(step.working, floor):g}")
        last = step.working
    end = along(found.watched_days)
    line.append(f"H{end:g}")
    band = _band(found, along, floor) if banded and found.steps else ""
    letter = LETTERS[place]
    return Curve(
        name, letter, place + 1, "".join(line), band, end, _up(last, floor), _up(last, floor)
    )


def _band(found: Lasting, along: Callable[[float], float], floor: int) -> str:
    """Return the outline of the band, from the first step on: above it, then back below."""
    first, end = along(found.steps[0].day), along(found.watched_days)
    upper = [f"M{first:g} {_up(found.steps[0].high, floor):g}"]
    for step in found.steps[1:]:
        upper.append(f"H{along(step.day):g}V{_up(step.high, floor):g}")
    lower = [f"H{end:g}V{_up(found.steps[-1].low, floor):g}"]
    for step, before in zip(reversed(found.steps[1:]), reversed(found.steps[:-1]), strict=True):
        lower.append(f"H{along(step.day):g}V{_up(before.low, floor):g}")
    return "".join([*upper, *lower, f"H{first:g}Z"])


def _letters_apart(drawn: Sequence[Curve]) -> list[Curve]:
    """Move the letters apart where curves end side by side, keeping their order."""
    by_height = sorted(drawn, key=lambda one: (one.end_y, one.style))
    placed: dict[int, float] = {}
    lowest = TOP - LETTER_GAP
    for one in by_height:
        lowest = max(one.end_y, lowest + LETTER_GAP)
        placed[one.style] = round(lowest, 1)
    return [replace(one, letter_y=placed[one.style]) for one in drawn]


def lying_bars(rows: Sequence[tuple[str, float, str]]) -> tuple[list[Lying], int]:
    """Draw a lying bar for each (name, amount, words); return them and the height of it all."""
    most = max((count for _, count, _ in rows), default=0) or 1
    bars = [
        Lying(
            y=place * ROW + 16.0,
            text_y=place * ROW + 12.0,
            width=round((WIDTH - 4) * count / most, 1),
            name=name,
            said=said,
        )
        for place, (name, count, said) in enumerate(rows)
    ]
    return bars, ROW * len(rows) + 2
