"""What each part still in a donor would bring: price, odds, waiting jobs, past demand."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Count, Exists, Min, OuterRef, Q

from matching import cover
from matching.domain.demand import LOOK_BACK_MONTHS, p_asked, value_if_good
from matching.models import Hold, Job, Match, Need, Proposal
from parts.conditions import ConditionBook
from parts.models import Grade, Part
from parts.prices import PriceBook
from workshop.models import Workshop

DAYS_A_MONTH = 365.25 / 12
LEAST_NEEDED = 0.05  # below this chance no job is named: it is served otherwise


@dataclass(frozen=True, slots=True)
class Waiting:
    """The open need a part serves best: its job, P(fit), what it pays at most, held or not.

    lacks: the chance that nothing else of ours serves the need.
    """

    job_ref: str
    p_fit: float
    pays_cents: int | None
    held: bool
    lacks: float = 1.0

    @property
    def p_needed(self) -> float:
        """Return the chance that it fits and is needed for it."""
        return self.p_fit * self.lacks

    def pays(self) -> float:
        return (self.pays_cents or 0) / 100


@dataclass(frozen=True, slots=True)
class PartValue:
    """One part with all its value rests on. Money in the workshop's unit.

    price: when it is good and sold; if_good: what a good one brings, demand or job considered;
    p_asked: chance that it is asked for within a year, from `requests` in `months` and `on_hand`.
    """

    part: Part
    label: str
    price: float
    price_basis: str
    p_good: float
    good_because: str
    p_asked: float
    requests: int
    months: float
    on_hand: int
    waiting: Waiting | None
    wanted: bool

    @property
    def if_good(self) -> float:
        fit = self.waiting.p_needed if self.waiting else 0.0
        pays = self.waiting.pays() if self.waiting else 0.0
        return value_if_good(self.price, asked=self.p_asked, p_fit=fit, pays=pays)

    @property
    def worth(self) -> float:
        return self.if_good * self.p_good


def value_parts(
    workshop: Workshop, appliance: str, parts: Sequence[Part], *, on: date
) -> list[PartValue]:
    """Return the value of each part, in order. Needs WITH_MACHINE loaded."""
    kinds = {part.kind_id for part in parts}
    prices = PriceBook.load(workshop.pk, appliance, kinds)
    book = ConditionBook.load(workshop.pk, on=on)
    book.prepare(kinds)
    waiting = waiting_for(workshop, [part.pk for part in parts])
    demand = Demand.load(workshop, appliance, on=on)
    return [_value(workshop, part, prices, book, waiting.get(part.pk), demand) for part in parts]


def _value(
    workshop: Workshop,
    part: Part,
    prices: PriceBook,
    book: ConditionBook,
    waiting: Waiting | None,
    demand: "Demand",
) -> PartValue:
    price, condition = prices.price(part), book.condition(part)
    told_from = workshop.alert_from_p_fit
    return PartValue(
        part=part,
        label=label_of(part),
        price=price.cents / 100,
        price_basis=price.basis,
        p_good=condition.p_good,
        good_because=condition.because,
        p_asked=demand.p_asked(part.kind_id),
        requests=demand.requests.get(part.kind_id, 0),
        months=demand.months,
        on_hand=demand.on_hand.get(part.kind_id, 0),
        waiting=waiting,
        wanted=waiting is not None and (waiting.held or waiting.p_needed >= told_from),
    )


def label_of(part: Part) -> str:
    """Return what a part is called within its donor: Rack (upper)."""
    return f"{part.kind.name} ({part.position})" if part.position else str(part.kind.name)


def waiting_for(workshop: Workshop, part_ids: Iterable[int]) -> dict[int, Waiting]:
    """Return for each part the open need it is needed for most; each need has one of them.

    A part that is held or proposed serves the need it is promised to. A need that is served by
    another part counts by the chance that it is not, and not at all where that is slight.
    """
    ids = list(part_ids)
    held = Hold.of(workshop).filter(part__in=ids, released_at__isnull=True)
    for_need = {(hold.part_id, hold.need_id): hold for hold in held.select_related("need__job")}
    proposed = Proposal.of(workshop).filter(part__in=ids, state=Proposal.State.OPEN)
    promised = dict(proposed.values_list("part_id", "need_id")) | dict(for_need.keys())
    elsewhere = Hold.of(workshop).filter(need=OuterRef("need"), released_at__isnull=True)
    rows = Match.of(workshop).filter(part__in=ids, need__state=Need.State.OPEN)
    rows = rows.filter(need__job__state=Job.State.OPEN)
    rows = rows.exclude(Exists(elsewhere.exclude(part=OuterRef("part"))))
    columns = ("part_id", "need_id", "need__job__ref", "p_fit", "need__max_price_cents")
    pairs = [
        row
        for row in rows.order_by("id").values_list(*columns)
        if promised.get(row[0], row[1]) == row[1]
    ]
    covered = cover.of_needs(workshop, {need for _, need, *_ in pairs})
    asked = []
    for part, need, job_ref, p_fit, pays in pairs:
        lacks = 1.0 if promised.get(part) == need else covered.lacks(need)
        one = Waiting(job_ref, p_fit, pays, (part, need) in for_need, lacks)
        if one.held or one.p_needed >= LEAST_NEEDED:
            asked.append((part, need, one))
    asked.sort(key=lambda row: (not row[2].held, -row[2].p_needed))
    found: dict[int, Waiting] = {}
    served: set[int] = set()
    for part, need, one in asked:
        if part not in found and need not in served:
            found[part] = one
            served.add(need)
    for (part, _), hold in for_need.items():
        if part not in found or not found[part].held:
            # Held by hand without a match on record: who held it is taken at their word.
            found[part] = Waiting(hold.need.job.ref, 1.0, hold.need.max_price_cents, True)
    return found


@dataclass(frozen=True)
class Demand:
    """Requests and stock of an appliance's kinds: three queries."""

    months: float
    requests: dict[str, int]
    on_hand: dict[str, int]

    @classmethod
    def load(cls, workshop: Workshop, appliance: str, *, on: date) -> "Demand":
        first = Job.of(workshop).aggregate(first=Min("opened_on"))["first"]
        counted = (on - first).days / DAYS_A_MONTH if first else 0.0
        months = min(max(counted, 0.0), LOOK_BACK_MONTHS)
        return cls(months, _requests(workshop, appliance, on), _on_hand(workshop, appliance))

    def p_asked(self, kind: str) -> float:
        """Return the chance that one more part of the kind is asked for within a year."""
        requests, on_hand = self.requests.get(kind, 0), self.on_hand.get(kind, 0)
        return p_asked(requests, months=self.months, on_hand=on_hand)


def _requests(workshop: Workshop, appliance: str, on: date) -> dict[str, int]:
    since = date.fromordinal(on.toordinal() - round(LOOK_BACK_MONTHS * DAYS_A_MONTH))
    rows = Need.of(workshop).filter(
        mistaken=False, job__appliance=appliance, job__opened_on__gt=since, job__opened_on__lte=on
    )
    return dict(rows.order_by().values_list("kind").annotate(count=Count("id")))


def _on_hand(workshop: Workshop, appliance: str) -> dict[str, int]:
    rows = Part.of(workshop).filter(
        donor__appliance=appliance, state__in=[Part.State.REMOVED, Part.State.SHELVED]
    )
    rows = rows.exclude(grade=Grade.SCRAP).exclude(
        Q(Exists(Hold.of(workshop).filter(part=OuterRef("pk"), released_at__isnull=True)))
    )
    return dict(rows.order_by().values_list("kind").annotate(count=Count("id")))
