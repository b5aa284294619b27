"""The page that shows whether the stated odds come true."""

from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from matching import selectors, teaching
from matching.domain.reliability import MOST_A_BIN, Reliability, Share
from workshop.models import Member
from workshop.web.gate import for_member

SIDE, EDGE = 300, 36  # of the plot and of the room for its scale, in units of the drawing
TICKS = (0, 25, 50, 75, 100)


@dataclass(frozen=True, slots=True)
class Dot:
    """One bin as it is drawn: a dot on a whisker; pale when it holds too few to be read."""

    x: float
    y: float
    top: float
    bottom: float
    radius: float
    few: bool


@for_member()
def odds_page(request: HttpRequest, member: Member) -> HttpResponse:
    report = teaching.find_report(member.workshop)
    found = Reliability.of_dict(report.found) if report else None
    shown = {
        "report": report,
        "found": found,
        "since": selectors.count_outcomes(member.workshop) - (report.outcomes if report else 0),
        "dots": [dot(one) for one in found.bins if one.count] if found else [],
        "ticks": [(tick, place(tick / 100), place(1 - tick / 100)) for tick in TICKS],
        "start": EDGE,
        "end": EDGE + SIDE,
        "size": SIDE + 2 * EDGE,
        "middle": EDGE + SIDE / 2,
        "few": MOST_A_BIN,
    }
    return render(request, "matching/odds.html", shown)


def place(share: float) -> float:
    """Return where a share of 0..1 stands along a side of the plot."""
    return round(EDGE + SIDE * share, 1)


def dot(one: Share) -> Dot:
    """Return a bin that holds something as it is drawn."""
    low, high = one.interval
    return Dot(
        x=place(one.stated or 0.0),
        y=place(1 - (one.share or 0.0)),
        top=place(1 - high),
        bottom=place(1 - low),
        radius=round(min(9.0, 3.0 + one.count**0.5 / 6), 1),
        few=one.count < MOST_A_BIN,
    )
