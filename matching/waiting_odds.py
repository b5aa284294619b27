"""How likely a donor comes in for a waiting job, and when: from the machines that came in before.

Counted are the machines that came in within the window and had parts which, by the same keys and
the same score as every search, could have served; parts that are gone since count too. Each
counts with its P(fit) times the P(good) it had when it came in. Where a job lacks several parts,
one machine has to bring all of those that are not in stock, and the parts in stock have to work:
the chances are multiplied. Two machines could do it together; that is left out, so the odds are
on the low side.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any

from django.db.models import Exists, F, Min, OuterRef, Q

from donors.models import Donor
from matching import gather
from matching.domain import waiting
from matching.domain.waiting import Arrivals, Point
from matching.models import Hold, Job, Need, Proposal
from matching.searching import Offered, Searcher
from parts.models import Grade
from parts.stock import AnyPart

WINDOW_DAYS = 730  # common practice: the last two years
FEW = 3  # fewer than this: the prior weighs in, and the page says so
CURVE_DAYS = 60
BAND = 0.8


@dataclass(frozen=True, slots=True)
class JobOdds:
    """arrivals: what is believed of machines that serve. came: how many counted since `since`.

    ahead: how many waiting jobs come first. days: how long this one waits still.
    """

    arrivals: Arrivals
    came: int
    since: date | None
    span_days: int
    ahead: int
    days: int
    lacking: tuple[Need, ...]

    @property
    def chance(self) -> float:
        return waiting.chance(self.arrivals, days=self.days, ahead=self.ahead)

    @property
    def median_days(self) -> float | None:
        """Return by which day a donor has come as likely as not; None: not in a century."""
        return waiting.day_by(self.arrivals, reaching=0.5, ahead=self.ahead)

    @property
    def few(self) -> bool:
        return self.came < FEW

    def curve(self, days: int = CURVE_DAYS) -> tuple[Point, ...]:
        """Return the chance by each day from 0, with its band."""
        return waiting.curve(self.arrivals, range(days + 1), ahead=self.ahead, band=BAND)

    @property
    def counted(self) -> str:
        """Return in words what the odds rest on."""
        if self.since is None:
            return "no machine came in yet: what is believed beforehand"
        machines = f"{self.came} machine{'' if self.came == 1 else 's'} that could have served"
        rest = "; few, so what is believed beforehand weighs in" if self.few else ""
        return f"{machines} came in since {self.since} ({self.span_days} days){rest}"

    @property
    def sentence(self) -> str:
        """Return the one sentence of the job page."""
        queue = {0: "nobody waits before it", 1: "one job comes first"}.get(
            self.ahead, f"{self.ahead} jobs come first"
        )
        within = f"within {self.days} day{'' if self.days == 1 else 's'}"
        return (
            f"A donor comes in {within} with a chance of {_percent(self.chance)}: "
            f"{self.counted}; {queue}."
        )


def _percent(p: float) -> str:
    if 0 < p < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < p < 1 else f"{100 * p:.0f} %"


@dataclass(frozen=True, slots=True)
class Stocked:
    """Which of a job's needs have a part in stock: the chance, P(fit) x P(good), by need."""

    chances: Mapping[int, float]

    def lacking(self, needs: Sequence[Need]) -> list[Need]:
        """Return the needs waited for: those without a part; all where each has one."""
        bare = [need for need in needs if not self.chances.get(need.pk)]
        return bare or list(needs)

    def rest(self, lacking: Iterable[Need], needs: Iterable[Need]) -> float:
        """Return the chance that the parts in stock for the other needs work."""
        waited = {need.pk for need in lacking}
        return math.prod(self.chances[one.pk] for one in needs if one.pk not in waited)


@dataclass(frozen=True, slots=True)
class _Came:
    """A machine that came in. failed: what it lacked as a job, by kind and position."""

    on: date
    failed: set[tuple[str, str]] = field(default_factory=set)

    def without(self, part: AnyPart) -> bool:
        """Whether a part was bad when the machine came: what failed in the job it was before.

        A need may have been a wrong guess, or the part was proved good since; then its grade says.
        """
        named = {(part.kind_id, part.position), (part.kind_id, "")} & self.failed
        return part.grade == Grade.SCRAP and bool(named)


class Counting:
    """The odds of waiting of one workshop; what it reads is kept while it lives."""

    def __init__(self, workshop_id: int, *, on: date) -> None:
        self.workshop_id, self.on = workshop_id, on
        self.searcher = Searcher(workshop_id, on=on)

    @cached_property
    def since(self) -> date | None:
        """The first day counted: the window's, or that of the first machine; None: none came."""
        rows = Donor.of(self.workshop_id).filter(received_on__lte=self.on)
        first: date | None = rows.aggregate(first=Min("received_on"))["first"]
        return first and max(first, self.on - timedelta(days=WINDOW_DAYS))

    def odds(self, needs: Sequence[Need], stocked: Stocked, *, days: int) -> JobOdds:
        """Return the odds for the open needs of one job. Needs job and its make loaded."""
        lacking = stocked.lacking(needs)
        by_donor = self._by_donor(lacking)
        rest = stocked.rest(lacking, needs)
        chances = [rest * math.prod(found) for found in by_donor.values() if all(found)]
        span = (self.on - self.since).days if self.since else 0
        arrivals = Arrivals.counted([one for one in chances if one > 0], span_days=max(span, 1))
        ahead = queue_position(self.workshop_id, lacking)
        most = max((ahead[need.pk] for need in lacking), default=0)
        return JobOdds(arrivals, len(chances), self.since, span, most, days, tuple(lacking))

    def _by_donor(self, needs: Sequence[Need]) -> dict[int, list[float]]:
        """Return for each machine that came in the chance for each need, in order."""
        if self.since is None or not needs:
            return {}
        wanted = [(need.kind_id, gather.want_of(need)) for need in needs]
        found: dict[int, list[float]] = defaultdict(lambda: [0.0] * len(needs))
        offers = self.searcher.ever(wanted, since=self.since)
        received = self._received({one.part.donor_id for some in offers for one in some})
        for place, some in enumerate(offers):
            for one in some:
                pk = one.part.donor_id
                if pk is not None and pk in received:
                    chance = self._chance(one, received[pk])
                    found[pk][place] = max(found[pk][place], chance)
        return found

    def _chance(self, one: Offered, came: "_Came") -> float:
        if came.without(one.part):
            return 0.0
        return one.score.p_fit * self.searcher.book.as_it_came(one.part, came.on).p_good

    def _received(self, donor_ids: Iterable[int | None]) -> dict[int, "_Came"]:
        """Return of some machines when they came in, and what had failed in them: one query."""
        rows = Donor.of(self.workshop_id).filter(pk__in={pk for pk in donor_ids if pk})
        needs = "was_job__job__needs__"
        columns = ("pk", "received_on", f"{needs}kind", f"{needs}position")
        found: dict[int, _Came] = {}
        for pk, day, kind, position in rows.filter(received_on__lte=self.on).values_list(*columns):
            came = found.setdefault(pk, _Came(day))
            if kind is not None:
                came.failed.add((kind, position))
        return found


def queue_position(workshop_id: int, needs: Sequence[Need]) -> dict[int, int]:
    """Return how many other open needs come before each of these for the same parts.

    The same parts: the same kind and position (where both say one) for a machine of the same
    make and family, the same model number, or with the same number on the old part. Before: its
    job is more urgent or, as urgent, was opened earlier, as the allocation has it. A need that a
    part is held for or proposed to waits for none. Needs job loaded.
    One query, however many.
    """
    found = {need.pk: 0 for need in needs}
    if not needs:
        return found
    held = Hold.of(workshop_id).filter(need=OuterRef("pk"), released_at__isnull=True)
    proposed = Proposal.of(workshop_id).filter(need=OuterRef("pk"), state=Proposal.State.OPEN)
    rows = Need.of(workshop_id).filter(
        Q(state=Need.State.OPEN, job__state=Job.State.OPEN) & _any(needs),
        ~Exists(held),
        ~Exists(proposed),
    )
    rows = rows.exclude(job__in={need.job_id for need in needs})
    columns = rows.annotate(
        urgency=F("job__urgency"),
        opened=F("job__opened_on"),
        make=F("job__make"),
        family=F("job__family"),
        model=F("job__number_key"),
    ).values_list(
        "kind_id",
        "position",
        "number_folded",
        "urgency",
        "opened",
        "job_id",
        "make",
        "family",
        "model",
    )
    others = list(columns)
    for need in needs:
        found[need.pk] = len({row[5] for row in others if _before(row, need)})
    return found


def _any(needs: Sequence[Need]) -> Q:
    condition = Q(pk__in=[])
    for need in needs:
        job = need.job
        same = Q(pk__in=[])
        if need.number_folded:
            same |= Q(number_folded=need.number_folded)
        if job.make_id and job.family:
            same |= Q(job__make=job.make_id, job__family=job.family)
        if job.make_id and job.number_key:
            same |= Q(job__make=job.make_id, job__number_key=job.number_key)
        first = Q(job__urgency__gt=job.urgency) | Q(
            job__urgency=job.urgency, job__opened_on__lte=job.opened_on
        )
        condition |= Q(kind=need.kind_id) & first & same
    return condition


def _before(row: tuple[Any, ...], need: Need) -> bool:
    kind, position, number, urgency, opened, job_id, make, family, model = row
    job = need.job
    theirs, ours_first = (-urgency, opened, job_id), (-job.urgency, job.opened_on, job.pk)
    if kind != need.kind_id or theirs >= ours_first:
        return False
    if position and need.position and position != need.position:
        return False
    if number and number == need.number_folded:
        return True
    ours = job.make_id is not None and make == job.make_id
    return ours and bool((family and family == job.family) or (model and model == job.number_key))
