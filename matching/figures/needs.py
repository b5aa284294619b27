"""How many needs were filled, and how long they waited."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import reduce
from typing import NamedTuple

from django.db.models import Count, Q
from django.db.models.functions import TruncMonth

from matching.domain.lasting import Fitted, Lasting, lasting
from matching.domain.proportions import wilson95
from matching.figures.spans import Span
from matching.models import Need
from parts.reference import kinds
from workshop import sql
from workshop.models import Workshop


@dataclass(frozen=True, slots=True)
class Filled:
    """Needs and what became of them.

    overdue: open although the wait of their job is over; waiting: open within it, which says
    nothing yet.
    """

    filled: int = 0
    withdrawn: int = 0
    overdue: int = 0
    waiting: int = 0

    def __add__(self, other: "Filled") -> "Filled":
        return Filled(
            self.filled + other.filled,
            self.withdrawn + other.withdrawn,
            self.overdue + other.overdue,
            self.waiting + other.waiting,
        )

    @property
    def settled(self) -> int:
        """How many count: filled, withdrawn or overdue."""
        return self.filled + self.withdrawn + self.overdue

    @property
    def opened(self) -> int:
        return self.settled + self.waiting

    @property
    def share(self) -> float | None:
        """Return filled of settled, 0..1; None while none is settled."""
        return self.filled / self.settled if self.settled else None

    @property
    def interval(self) -> tuple[float, float]:
        """Return the 95 % interval of the share (Wilson)."""
        return wilson95(self.filled, self.settled)

    @property
    def low(self) -> float:
        return self.interval[0]

    @property
    def high(self) -> float:
        return self.interval[1]


class MonthFilled(NamedTuple):
    """Needs of jobs opened in a month, by its first day."""

    month: date
    needs: Filled


class KindFilled(NamedTuple):
    """Needs for one part kind."""

    kind: str
    name: str
    needs: Filled


@dataclass(frozen=True, slots=True)
class FillRate:
    """The needs of jobs opened in a span, by month of opening and by part kind."""

    whole: Filled
    months: list[MonthFilled]
    kinds: list[KindFilled]
    wait_days: int


def fill_rate(workshop: Workshop, span: Span, *, today: date) -> FillRate:
    """Return the fill rate of needs opened in the span, as they stand today: one query.

    A need whose job says until when it waits is overdue after that day, any other after the
    workshop's wait_days.
    """
    over = Q(job__wait_until__lt=today) | Q(
        job__wait_until__isnull=True,
        job__opened_on__lt=today - timedelta(days=workshop.wait_days),
    )
    still = Q(state=Need.State.OPEN)
    # One withdrawn because the job never lacked it was no need.
    rows = Need.of(workshop).filter(job__opened_on__range=(span.start, span.end), mistaken=False)
    rows = rows.order_by()
    counted = (
        rows.annotate(month=TruncMonth("job__opened_on"))
        .values_list("month", "kind_id")
        .annotate(
            filled=Count("id", filter=Q(state=Need.State.FILLED)),
            withdrawn=Count("id", filter=Q(state=Need.State.WITHDRAWN)),
            overdue=Count("id", filter=still & over),
            # Not `~over`: what is not known to be over is still within its wait.
            opened=Count("id", filter=still),
        )
    )
    by_month: dict[date, list[Filled]] = defaultdict(list)
    by_kind: dict[str, list[Filled]] = defaultdict(list)
    for month, kind, filled, withdrawn, overdue, opened in counted:
        one = Filled(filled, withdrawn, overdue, opened - overdue)
        by_month[month].append(one)
        by_kind[kind].append(one)
    named = [KindFilled(slug, kinds()[slug].name, _sum(found)) for slug, found in by_kind.items()]
    return FillRate(
        whole=_sum(one for found in by_month.values() for one in found),
        months=[MonthFilled(month, _sum(by_month.get(month, []))) for month in span.months],
        kinds=sorted(named, key=lambda row: (-row.needs.opened, row.name)),
        wait_days=workshop.wait_days,
    )


def _sum(some: Iterable[Filled]) -> Filled:
    return reduce(Filled.__add__, some, Filled())


@dataclass(frozen=True, slots=True)
class Waits:
    """How long needs waited, until filled: a Kaplan-Meier curve whose `failed` are the filled.

    open: still waiting at the end of the span, counted for as long as they have. withdrawn: given
    up within it, counted until that day; half of them by withdrawn_median_days. withdrawn_undated
    and undated are left out: the day they were given up, or filled, is not on record.
    """

    curve: Lasting
    open: int
    withdrawn: int
    withdrawn_median_days: float | None
    withdrawn_undated: int
    undated: int

    @property
    def median_days(self) -> float | None:
        return self.curve.median_days

    @property
    def quarter_days(self) -> float | None:
        return self.curve.day_by(0.25)

    @property
    def three_quarter_days(self) -> float | None:
        return self.curve.day_by(0.75)


# A need is filled on the day its last part went in. Rows come counted.
_WAITS = """
SELECT job.opened_on, need.state, fitting.day, need.withdrawn_on, COUNT(*)
FROM matching_need AS need JOIN matching_job AS job ON job.id = need.job_id
LEFT JOIN (
  SELECT need_id, MAX(fitted_on) AS day FROM matching_outcome
  WHERE workshop_id = %s AND need_id IS NOT NULL AND result <> 'did-not-fit' GROUP BY need_id
) AS fitting ON fitting.need_id = need.id AND need.state = 'filled'
WHERE need.workshop_id = %s AND NOT need.mistaken AND job.opened_on BETWEEN %s AND %s
GROUP BY job.opened_on, need.state, fitting.day, need.withdrawn_on
"""


def waits(workshop: Workshop, span: Span) -> Waits:
    """Return how long needs opened in the span waited, as known at its end: one query."""
    watched: list[Fitted] = []
    given_up: list[tuple[float, int]] = []
    left = {Need.State.WITHDRAWN: 0, Need.State.FILLED: 0}
    still = 0
    for row in sql.rows(_WAITS, workshop.pk, workshop.pk, span.start, span.end):
        opened, state, count = sql.as_day(row[0]), Need.State(row[1]), int(row[4])
        assert opened is not None
        ended = {Need.State.FILLED: row[2], Need.State.WITHDRAWN: row[3]}.get(state)
        day = sql.as_day(ended)
        if state in left and day is None:
            left[state] += count
            continue
        over = day is not None and day <= span.end
        until = day if over and day else span.end
        # A part noted as fitted before the job was opened was there at once.
        waited = float(max(0, (until - opened).days))
        watched.append(Fitted(waited, failed=over and state == Need.State.FILLED, count=count))
        if over and state == Need.State.WITHDRAWN:
            given_up.append((waited, count))
        still += 0 if over else count
    return Waits(
        lasting(watched),
        still,
        withdrawn=sum(count for _, count in given_up),
        withdrawn_median_days=_median(given_up),
        withdrawn_undated=left[Need.State.WITHDRAWN],
        undated=left[Need.State.FILLED],
    )


def _median(counted: list[tuple[float, int]]) -> float | None:
    """Return the lower median of (days, how many); None of nothing."""
    half, seen = sum(count for _, count in counted) / 2, 0
    for days, count in sorted(counted):
        seen += count
        if seen >= half:
            return days
    return None
