"""Build dates from codes on plates and parts: intervals, several when the decade is open.

Weeks are those of ISO 8601; most makers follow it, not all, so a week is held against other
knowledge with a week to spare. The two letter schemes contradict each other from G on: the
caller says which it is.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import Any

from workshop.days import FIRST_YEAR
from workshop.domain.intervals import Interval
from workshop.domain.refusals import ValueRefused

WEEK_TO_SPARE = timedelta(days=7)
# Source: a maker's manual, p. 111 (1-9, A-H, J-N, P-Y without I and O; 2001 onward).
MANUAL_YEARS = "123456789ABCDEFGHJKLMNPQRSTUVWXY"
MANUAL_MONTHS = "123456789ABC"
# Source: IEC 60062, from memory: 20-year cycle from A = 2010 (and 1990), months 1-9 O N D.
IEC_YEARS = "ABCDEFHJKLMNPRSTUVWX"
IEC_MONTHS = "123456789OND"


class Scheme(StrEnum):
    """How a code is to be read."""

    ISO_WEEK = "year and week, four figures of the year"
    YEAR_WEEK = "year and week, two figures of the year"
    DIGIT_WEEK = "year and week, one figure of the year"
    DIGIT_DAY = "year, month and day, one figure of the year"
    LETTER_MANUAL = "letter year of a maker's manual, 2001 onward"
    LETTER_IEC = "letter year of IEC 60062"


@dataclass(frozen=True, slots=True)
class Candidate:
    """One build interval a code may mean. spare: how far the printed unit may be off."""

    built: Interval
    scheme: Scheme
    spare: timedelta = timedelta(0)


@dataclass(frozen=True, slots=True)
class Bound:
    """Days between which a machine was built, either end open (None), and how that is known."""

    why: str
    not_before: date | None = None
    not_after: date | None = None


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a code may mean after all else that is known. dropped: each with its reason.

    An empty `kept` says that the code and the other knowledge contradict each other.
    """

    kept: tuple[Candidate, ...]
    dropped: tuple[tuple[Candidate, str], ...] = ()


def iso_week(year: int, week: int) -> Interval:
    """Return Monday to Sunday of a week of ISO 8601.

    Raises ValueRefused: week 53 in a year of 52, week 0, a year outside 1950 to 2100.
    """
    if not FIRST_YEAR <= year <= 2100:
        raise ValueRefused({"year": f"{year} lies outside {FIRST_YEAR} to 2100"})
    if week == 53 and weeks_in(year) == 52:
        raise ValueRefused({"week": f"{year} has 52 weeks, there is no week 53: read it again"})
    if not 1 <= week <= 53:
        raise ValueRefused({"week": f"{week} is no week; a year has weeks 1 to {weeks_in(year)}"})
    monday = date.fromisocalendar(year, week, 1)
    return Interval(monday, monday + timedelta(days=6))


def weeks_in(year: int) -> int:
    """Return 52 or 53: 28 December is always in the last week (ISO 8601)."""
    return date(year, 12, 28).isocalendar().week


def decode(code: str, scheme: Scheme, *, until: date) -> tuple[Candidate, ...]:
    """Return every interval a code may mean that begins by `until`, the earliest first.

    until: the day the machine was received, or today. Nothing before 1950.
    Raises ValueRefused when the code has not the shape of the scheme or names no day there is.
    """
    text = re.sub(r"[\s\-./]", "", code.upper())
    shape, read = _SHAPES[scheme]
    found = shape.fullmatch(text)
    if found is None:
        raise ValueRefused({"code": f"{code!r} is not written as {scheme.value}"})
    spare = WEEK_TO_SPARE if "week" in found.groupdict() else timedelta(0)
    intervals, whys = read(found, until)
    kept = [interval for interval in intervals if interval.start <= until]
    if not kept:
        why = whys[0] if whys else f"it would lie after {until} or before {FIRST_YEAR}"
        raise ValueRefused({"code": f"{code!r} cannot be: {why}"})
    return tuple(Candidate(one, scheme, spare) for one in sorted(kept, key=lambda i: i.start))


def cut(candidates: Iterable[Candidate], bounds: Iterable[Bound]) -> Decoded:
    """Return the candidates that agree with all that is known, each narrowed to it."""
    kept: list[Candidate] = []
    dropped: list[tuple[Candidate, str]] = []
    stated = list(bounds)
    for candidate in candidates:
        narrowed: Candidate | str = candidate
        for bound in stated:
            if isinstance(narrowed, Candidate):
                narrowed = _within(narrowed, bound)
        if isinstance(narrowed, Candidate):
            kept.append(narrowed)
        else:
            dropped.append((candidate, narrowed))
    return Decoded(tuple(kept), tuple(dropped))


def received(on: date) -> Bound:
    """A machine was built before it came in."""
    return Bound(f"received on {on}", not_after=on)


def receipt(on: date) -> Bound:
    """The buyer's receipt says not after."""
    return Bound(f"bought on {on}", not_after=on)


def part_made(on: date) -> Bound:
    """A moulding clock or a component's date code says not before."""
    return Bound(f"holds a part made {on}", not_before=on)


def on_market(first_year: int | None, last_year: int | None) -> Bound:
    """The years a model was sold, built from the year before; None is not known."""
    years = " to ".join("?" if year is None else str(year) for year in (first_year, last_year))
    return Bound(
        f"model sold {years}",
        not_before=date(first_year - 1, 1, 1) if first_year else None,
        not_after=date(last_year, 12, 31) if last_year else None,
    )


def era(row: Mapping[str, Any]) -> Bound:
    """A label or refrigerant that brackets the years; a row of build_eras.json."""
    return Bound(row["words"], _day(row["not_before"]), _day(row["not_after"]))


def _within(candidate: Candidate, bound: Bound) -> Candidate | str:
    """Return the candidate narrowed to the bound, or the reason it does not agree."""
    built = candidate.built
    if bound.not_before and built.end + candidate.spare < bound.not_before:
        return f"{built} is before {bound.not_before} ({bound.why})"
    if bound.not_after and built.start - candidate.spare > bound.not_after:
        return f"{built} is after {bound.not_after} ({bound.why})"
    start = max(built.start, bound.not_before or built.start)
    end = min(built.end, bound.not_after or built.end)
    narrowed = Interval(start, end) if start <= end else built
    return Candidate(narrowed, candidate.scheme, candidate.spare)


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


Found = tuple[list[Interval], list[str]]


def _each(years: Iterable[int], interval: Callable[[int], Interval]) -> Found:
    """Return the interval of each year that has one, and why the others have none."""
    found: list[Interval] = []
    whys: list[str] = []
    for year in years:
        try:
            found.append(interval(year))
        except ValueRefused as refused:
            whys += refused.fields.values()
        except ValueError:
            whys.append(f"there is no such day in {year}")
    return found, whys


def _years(figures: str, until: date) -> list[int]:
    """Return the years up to `until` that end in these figures, the latest first."""
    every = range(until.year, FIRST_YEAR - 1, -1)
    return [year for year in every if str(year).endswith(figures)]


def _week(found: re.Match[str], until: date) -> Found:
    years = _years(found["year"], until)
    # The last days of December can lie in week 1 of the year that follows.
    if str(until.year + 1).endswith(found["year"]):
        years.insert(0, until.year + 1)
    return _each(years, lambda year: iso_week(year, int(found["week"])))


def _digit_day(found: re.Match[str], until: date) -> Found:
    month, day = int(found["month"]), int(found["day"])

    def interval(year: int) -> Interval:
        return Interval(date(year, month, day), date(year, month, day))

    return _each(_years(found["year"], until), interval)


def _letter(years: str, months: str, firsts: Callable[[date], Iterable[int]]) -> Any:
    def read(found: re.Match[str], until: date) -> Found:
        month = months.index(found["month"]) + 1
        place = years.index(found["year"])
        return _each((first + place for first in firsts(until)), lambda year: _month(year, month))

    return read


def _month(year: int, month: int) -> Interval:
    following = date(year + month // 12, month % 12 + 1, 1)
    return Interval(date(year, month, 1), following - timedelta(days=1))


def _iec_cycles(until: date) -> list[int]:
    return list(range(1950 + (until.year - 1950) // 20 * 20, FIRST_YEAR - 1, -20))


_SHAPES: dict[Scheme, tuple[re.Pattern[str], Any]] = {
    Scheme.ISO_WEEK: (re.compile(r"(?P<year>\d{4})W?(?P<week>\d\d)", re.ASCII), _week),
    Scheme.YEAR_WEEK: (re.compile(r"(?P<year>\d\d)(?P<week>\d\d)", re.ASCII), _week),
    Scheme.DIGIT_WEEK: (re.compile(r"(?P<year>\d)(?P<week>\d\d)", re.ASCII), _week),
    Scheme.DIGIT_DAY: (
        re.compile(r"(?P<year>\d)(?P<month>\d\d)(?P<day>\d\d)", re.ASCII),
        _digit_day,
    ),
    Scheme.LETTER_MANUAL: (
        re.compile(f"(?P<year>[{MANUAL_YEARS}])(?P<month>[{MANUAL_MONTHS}])"),
        _letter(MANUAL_YEARS, MANUAL_MONTHS, lambda _: [2001]),
    ),
    Scheme.LETTER_IEC: (
        re.compile(f"(?P<year>[{IEC_YEARS}])(?P<month>[{IEC_MONTHS}])"),
        _letter(IEC_YEARS, IEC_MONTHS, _iec_cycles),
    ),
}
