"""From a job on record to the question a triage answers, with every assumption in words.

Several parts lacking are all needed: a try fits them all, so their prices add up and their
chances are multiplied (docs/jobs.md, "Triage").
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from matching import keeping, selectors
from matching.break_value import BreakValue, break_value
from matching.domain.triage.options import (
    NewPart,
    Situation,
    StockPart,
    Wait,
    worth_by_age,
)
from matching.domain.triage.rules_of_thumb import Facts
from matching.models import Job, JobEstimate, Match, Need, NewPartQuote
from matching.promised import best_free
from matching.triage_figures import (
    GUIDED,
    JOB,
    MEAN_LIFE_YEARS,
    NEW_OVER_USED,
    NEW_PART_WORKS,
    Figure,
    Figures,
)
from matching.waiting_odds import Counting, JobOdds, Stocked
from matching.waits import end_of
from parts.prices import PriceBook
from workshop.domain.intervals import from_ends
from workshop.errors import Conflict
from workshop.models import Workshop

MOST_OFFERED = 2  # parts in stock weighed one after the other; more take longer than they tell
_RECORD = "on record"


@dataclass(frozen=True, slots=True)
class Assumption:
    """One thing reckoned with: its value in words, and where it is from."""

    name: str
    said: str
    source: str


@dataclass(frozen=True)
class Weighed:
    """A job's situation with all it rests on. Money in the workshop's unit."""

    job: Job
    needs: tuple[Need, ...]
    situation: Situation
    odds: JobOdds
    breaking: BreakValue
    facts: Facts
    estimate: JobEstimate | None
    quotes: Mapping[int, NewPartQuote]
    assumptions: tuple[Assumption, ...]


def weigh(workshop: Workshop, ref: str, *, on: date) -> Weighed:
    """Return the situation of an open job. The same queries, however much is stored.

    Raises NotFound, Conflict for a job that is closed or lacks nothing.
    """
    job = selectors.get_job(workshop, ref)
    needs = [need for need in job.needs.all() if need.state == Need.State.OPEN]
    if job.state != Job.State.OPEN or not needs:
        raise Conflict(f"Job {ref} is {job.get_state_display()}: there is nothing to weigh.")
    for need in needs:
        need.job = job
    return _Weighing(workshop, job, needs, on).weighed()


class _Weighing:
    """Gathers one job's situation step by step."""

    def __init__(self, workshop: Workshop, job: Job, needs: Sequence[Need], on: date) -> None:
        self.workshop, self.job, self.needs, self.on = workshop, job, needs, on
        self.figures = Figures(workshop)
        self.estimate = JobEstimate.of(workshop).filter(job=job).first()
        rows = NewPartQuote.of(workshop).filter(need__in=[need.pk for need in needs])
        self.quotes = {quote.need_id: quote for quote in rows}
        kinds = {need.kind_id for need in needs}
        self.prices = PriceBook.load(workshop.pk, job.appliance_id, kinds)
        self.counting = Counting(workshop.pk, on=on)
        self.offers = self._offers()

    def weighed(self) -> Weighed:
        odds = self._odds()
        breaking = break_value(self.workshop, self.job, self.counting.searcher, on=self.on)
        worth, labour = self._worth(), self._labour()
        permission = keeping.find_permission(self.job)
        bare = (self._cents("metal_cents") - self._cents("disposal_cents")) / 100
        situation = Situation(
            worth=worth,
            labour=labour,
            strip_value=breaking.strip + bare,
            serves=breaking.serves,
            stock=self._stock(),
            new=self._new(),
            wait=self._wait(odds),
            floor_per_week=self._cents("floor_per_week_cents") / 100,
            patience_days=float(self.patience.value),
            may_break=permission is None or permission.may_keep,
        )
        asked = "not asked yet" if permission is None else str(permission.get_how_display())
        may = "yes" if permission and permission.may_keep else "no" if permission else "unknown"
        return Weighed(
            job=self.job,
            needs=tuple(self.needs),
            situation=situation,
            odds=odds,
            breaking=breaking,
            facts=self._facts(situation),
            estimate=self.estimate,
            quotes=self.quotes,
            assumptions=(
                *self._assumptions(situation, odds, breaking),
                Assumption("the machine may be broken for parts", may, asked),
            ),
        )

    def _offers(self) -> dict[int, list[Match]]:
        """Return the best parts for each need that it may count on."""
        ids = [need.pk for need in self.needs]
        return best_free(self.workshop.pk, ids, most=MOST_OFFERED)

    def _stock(self) -> tuple[StockPart, ...]:
        """Return what can be tried from stock: of one need its best parts, of several one set."""
        if not all(self.offers.values()):
            return ()
        if len(self.needs) == 1:
            best = self.offers[self.needs[0].pk][:MOST_OFFERED]
            return tuple(StockPart(str(one.part.ref), self._price(one), one.worth) for one in best)
        parts = [rows[0] for rows in self.offers.values()]
        name = " + ".join(str(one.part.ref) for one in parts)
        price = sum(self._price(one) for one in parts)
        return (StockPart(name, price, math.prod(one.worth for one in parts)),)

    def _price(self, one: Match) -> float:
        return self.prices.price(one.part).cents / 100

    def used_price(self, need: Need) -> float:
        """Return what a used part for a need goes for."""
        return self.prices.of_kind(need.kind_id).cents / 100

    def _new(self) -> NewPart | None:
        """Return new parts for all needs, prices added up; None where one is not to be had."""
        prices, days = [], []
        for need in self.needs:
            quote = self.quotes.get(need.pk)
            if quote is not None and quote.not_to_be_had:
                return None
            price = self._new_price(need)
            if price is None:
                return None
            prices.append(price.value)
            own = quote.days if quote else None
            days.append(own if own is not None else self.figures.get("new_part_days").value)
        works: float = NEW_PART_WORKS ** len(self.needs)
        return NewPart(sum(prices), float(max(days)), works)

    def _new_price(self, need: Need) -> Figure | None:
        quote = self.quotes.get(need.pk)
        if quote is not None and quote.price_cents is not None:
            return Figure(quote.price_cents / 100, JOB)
        used = self.used_price(need)
        return Figure(NEW_OVER_USED * used, GUIDED) if used else None

    def _odds(self) -> JobOdds:
        stocked = Stocked({pk: rows[0].worth for pk, rows in self.offers.items() if rows})
        return self.counting.odds(self.needs, stocked, days=self._days_left())

    def _days_left(self) -> int:
        """Return the days this job waits still; of a wait that is over, what one more would be."""
        left = (end_of(self.job, wait_days=self.workshop.wait_days) - self.on).days
        return left if left > 0 else self.workshop.wait_days

    def _wait(self, odds: JobOdds) -> Wait:
        price = sum(self.used_price(need) for need in self.needs)
        return Wait(odds.arrivals, float(odds.days), price, odds.ahead)

    @property
    def patience(self) -> Figure:
        own = self.estimate.patience_days if self.estimate else None
        return Figure(self._days_left(), _RECORD) if own is None else Figure(own, JOB)

    @property
    def new_machine(self) -> Figure:
        own = self.estimate.new_machine_cents if self.estimate else None
        return self.figures.new_machine(self.job.appliance_id) if own is None else Figure(own, JOB)

    @property
    def minutes(self) -> Figure:
        own = self.estimate.labour_minutes if self.estimate else None
        return self.figures.get("labour_minutes") if own is None else Figure(own, JOB)

    @property
    def life_years(self) -> float:
        return self.job.appliance.mean_life_years or MEAN_LIFE_YEARS

    @property
    def age(self) -> Figure | None:
        """The machine's age; None when nothing says it."""
        own = self.estimate.age_years if self.estimate else None
        if own is not None:
            return Figure(own, JOB)
        built = from_ends(self.job.built_from, self.job.built_to)
        return Figure(built.age_years(self.on), "its build date") if built else None

    def _worth(self) -> float:
        years = self.age.value if self.age else self.life_years / 2
        price = self.new_machine.value / 100
        return worth_by_age(price, age_years=years, life_years=self.life_years)

    def _labour(self) -> float:
        return self.minutes.value / 60 * self._cents("labour_per_hour_cents") / 100

    def _cents(self, name: str) -> float:
        return self.figures.get(name).value

    def _facts(self, situation: Situation) -> Facts:
        """Return what the rules of thumb ask; a repair costs its cheapest part and labour."""
        costs = [one.price for one in situation.stock]
        costs += [situation.new.price] if situation.new else []
        known = self.estimate
        gone = [quote.not_to_be_had for quote in self.quotes.values()]
        quoted = len(gone) == len(self.needs)
        return Facts(
            age_years=round(self.age.value, 1) if self.age else None,
            mean_life_years=self.job.appliance.mean_life_years,
            repair_total=min(costs) + situation.labour if costs else None,
            new_machine_price=self.new_machine.value / 100,
            high_end=bool(known and known.high_end),
            major_part=known.major_part if known else None,
            independent_major_faults=known.major_faults if known else None,
            safety_corrosion=known.safety_corrosion if known else None,
            part_available_new=False if any(gone) else True if quoted and gone else None,
        )

    def _assumptions(
        self, now: Situation, odds: JobOdds, breaking: BreakValue
    ) -> Iterator[Assumption]:
        cents = self._money
        machine, minutes, patience = self.new_machine, self.minutes, self.patience
        yield Assumption("price of an equal new machine", cents(machine), machine.source)
        age = self.age
        half = f"half its mean life, {self.life_years / 2:.1f} years"
        said = f"{age.value:.1f} years" if age else half
        yield Assumption("age", said, age.source if age else "not known: guessed")
        yield Assumption("mean life", f"{self.life_years:g} years", "reference table")
        straight = "straight line from new to a tenth at the mean life, guide"
        yield Assumption("worth of the running machine", f"{now.worth:.2f}", straight)
        yield Assumption("labour of one try", f"{minutes.value:g} min", minutes.source)
        hour = self.figures.get("labour_per_hour_cents")
        yield Assumption("an hour of labour", cents(hour), hour.source)
        floor = self.figures.get("floor_per_week_cents")
        yield Assumption("a week of floor", cents(floor), floor.source)
        yield Assumption("the customer waits", f"{patience.value:g} days", patience.source)
        yield from self._new_parts()
        yield Assumption("machines that could serve", odds.counted, "counted here")
        yield Assumption(
            "a donor's part goes for",
            f"{now.wait.price if now.wait else 0:.2f}",
            "; ".join(self.prices.of_kind(one.kind_id).basis for one in self.needs),
        )
        yield Assumption(
            "strip plan of this machine",
            f"{breaking.strip:.2f} from {breaking.parts} parts in {breaking.minutes:.0f} min",
            "prices, demand and odds on record",
        )
        metal, waste = self.figures.get("metal_cents"), self.figures.get("disposal_cents")
        yield Assumption("metal of the bare machine", cents(metal), metal.source)
        yield Assumption("disposal of the rest", cents(waste), waste.source)

    def _new_parts(self) -> Iterator[Assumption]:
        days = self.figures.get("new_part_days")
        for need in self.needs:
            quote, price = self.quotes.get(need.pk), self._new_price(need)
            name = f"new {need.kind.name.lower()}"
            if quote is not None and quote.not_to_be_had:
                yield Assumption(name, "not to be had", JOB)
                continue
            if price is None:
                yield Assumption(name, "price not known", "left out")
                continue
            source = price.source if price.source == JOB else "twice a used one, guide"
            yield Assumption(name, f"{price.value:.2f}", source)
            own = quote.days if quote else None
            value, where = (own, JOB) if own is not None else (days.value, days.source)
            yield Assumption(f"{name} takes", f"{value:g} days", where)
        yield Assumption("a new part works", f"{100 * NEW_PART_WORKS:.0f} %", GUIDED)

    def _money(self, figure: Figure) -> str:
        return f"{figure.value / 100:.2f}"
