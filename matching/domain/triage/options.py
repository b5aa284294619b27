"""What can be done with a machine now, as a decision tree.

Each try costs its labour whether it works or not. When it works the machine runs; when it does
not, the best of what is left follows. A part that did not help is not paid for: it goes back.
Money is in one unit throughout, measured from handing the machine back as it is: that is worth 0.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache

from matching.domain import waiting
from matching.domain.waiting import Arrivals
from workshop.domain.refusals import Checks

MOST_MONEY = 1e7
MOST_DAYS = 3_650.0
MOST_STOCK = 4
STOCK, NEW, WAIT, BREAK, HAND_BACK = "stock", "new", "wait", "break", "hand-back"


@dataclass(frozen=True, slots=True)
class StockPart:
    """A part on the shelf. p_works: P(fit) x P(good), 0..1; price: what it would sell for."""

    name: str
    price: float
    p_works: float


@dataclass(frozen=True, slots=True)
class NewPart:
    """A part to order: its price, the days until it is there, the chance that it works."""

    price: float
    days: float
    p_works: float


@dataclass(frozen=True, slots=True)
class Wait:
    """Waiting for a donor until a day: how often such machines come in, who is before us.

    price: what the part of a donor is worth to the shelf.
    """

    arrivals: Arrivals
    days: float
    price: float
    ahead: int = 0

    @property
    def chance(self) -> float:
        return _odds_of_waiting(self)[0]

    @property
    def days_parked(self) -> float:
        """Return the mean days until the donor is there or the wait ends."""
        return _odds_of_waiting(self)[1]


@lru_cache(maxsize=4096)
def _odds_of_waiting(wait: Wait) -> tuple[float, float]:
    chance = waiting.chance(wait.arrivals, days=wait.days, ahead=wait.ahead)
    days = waiting.expected_days(wait.arrivals, ahead=wait.ahead, until=wait.days)
    return chance, wait.days if days is None else days


@dataclass(frozen=True, slots=True)
class Served:
    """Another job this machine could complete if it were broken: its margin.

    chance: that it does and nothing else of the workshop's would.
    """

    job: str
    margin: float
    chance: float


@dataclass(frozen=True, slots=True)
class Situation:
    """One machine and what can be done with it.

    worth: what the running machine brings (see `worth_by_age`). labour: the cost of one try.
    strip_value: the strip plan's worth and metal less disposal. floor_per_week: what its place
    costs. patience_days: how long the customer waits in all. may_break: the owner agreed.
    """

    worth: float
    labour: float
    strip_value: float = 0.0
    serves: tuple[Served, ...] = ()
    stock: tuple[StockPart, ...] = ()
    new: NewPart | None = None
    wait: Wait | None = None
    floor_per_week: float = 0.0
    patience_days: float = 30.0
    may_break: bool = True

    @property
    def break_value(self) -> float:
        """Return what breaking brings: the strip, and the margins of jobs it may complete."""
        return self.strip_value + sum(one.margin * one.chance for one in self.serves)


@dataclass(frozen=True, slots=True)
class Option:
    """What is done first, and then as long as it does not work.

    money: expected. p_runs: the chance that the machine runs in the end. days: expected until it
    is settled. steps: the names in order, the last of them certain.
    """

    first: str
    money: float
    p_runs: float
    days: float
    steps: tuple[str, ...] = field(default=())


def worth_by_age(new_price: float, *, age_years: float, life_years: float) -> float:
    """Return what a running machine is worth: a straight line to a tenth at its mean life.

    Common practice, a guess; the tenth stays for older ones. Raises ValueRefused.
    """
    with Checks() as bad:
        bad.number("new_price", new_price, "(money)", least=0, most=MOST_MONEY)
        bad.number("age_years", age_years, "years", least=0, most=100)
        bad.number("life_years", life_years, "years", above=0, most=100)
    return new_price * max(0.1, 1 - 0.9 * age_years / life_years)


def check(now: Situation) -> None:
    """Refuse what cannot be weighed (ValueRefused), one sentence a field at fault."""
    with Checks() as bad:
        money = {"worth": now.worth, "labour": now.labour, "floor": now.floor_per_week}
        money |= {part.name: part.price for part in now.stock}
        money |= {one.job: one.margin for one in now.serves}
        money |= {"new": now.new.price} if now.new else {}
        money |= {"wait": now.wait.price} if now.wait else {}
        for name, amount in money.items():
            bad.number(name, amount, "(money)", least=0, most=MOST_MONEY)
        bad.number("strip_value", now.strip_value, least=-MOST_MONEY, most=MOST_MONEY)
        chances = {part.name: part.p_works for part in now.stock}
        chances |= {one.job: one.chance for one in now.serves}
        chances |= {"new": now.new.p_works} if now.new else {}
        for name, chance in chances.items():
            bad.number(name, chance, "(chance)", least=0, most=1)
        days = {"patience_days": now.patience_days}
        days |= {"new_days": now.new.days} if now.new else {}
        days |= {"wait_days": now.wait.days} if now.wait else {}
        for name, some in days.items():
            bad.number(name, some, "days", least=0, most=MOST_DAYS)
        if len({part.name for part in now.stock}) < len(now.stock):
            bad.refuse("stock", "a part is there twice")
        if len(now.stock) > MOST_STOCK:
            bad.refuse("stock", f"{len(now.stock)} parts are too many; give the best {MOST_STOCK}")


def options(situation: Situation) -> tuple[Option, ...]:
    """Return every first step with the best that can follow it, the most money first.

    Raises ValueRefused.
    """
    check(situation)
    return ranked(situation)


@lru_cache(maxsize=4096)
def ranked(situation: Situation) -> tuple[Option, ...]:
    """The same for a situation that was checked."""
    found = _first_steps(situation)
    return tuple(sorted(found, key=lambda one: (-one.money, one.days, one.steps)))


def _first_steps(now: Situation) -> Iterator[Option]:
    yield Option(HAND_BACK, 0.0, 0.0, 0.0, (HAND_BACK,))
    if now.may_break:
        yield Option(BREAK, now.break_value, 0.0, 0.0, (BREAK,))
    for number, part in enumerate(now.stock):
        rest = replace(now, stock=now.stock[:number] + now.stock[number + 1 :])
        name = f"{STOCK} {part.name}"
        yield _tried(now, name, STOCK, part.p_works, part.price, 0.0, rest)
    if now.new and now.new.days <= now.patience_days:
        rest = _later(replace(now, new=None), now.new.days)
        yield _tried(now, NEW, NEW, now.new.p_works, now.new.price, now.new.days, rest)
    if now.wait and min(now.wait.days, now.patience_days) > 0:
        wait = replace(now.wait, days=min(now.wait.days, now.patience_days))
        rest = _later(replace(now, wait=None), wait.days)
        yield _waited(now, wait, rest)


def _tried(
    now: Situation, name: str, first: str, p: float, price: float, days: float, rest: Situation
) -> Option:
    after = ranked(rest)[0]
    parked = now.floor_per_week * days / 7
    money = p * (now.worth - price) + (1 - p) * after.money - now.labour - parked
    return Option(
        first, money, p + (1 - p) * after.p_runs, days + (1 - p) * after.days, (name, *after.steps)
    )


def _waited(now: Situation, wait: Wait, rest: Situation) -> Option:
    """The part of a donor that serves fits and is good: labour is spent only when it comes."""
    after, p, days = ranked(rest)[0], wait.chance, wait.days_parked
    parked = now.floor_per_week * days / 7
    money = p * (now.worth - wait.price - now.labour) + (1 - p) * after.money - parked
    return Option(
        WAIT, money, p + (1 - p) * after.p_runs, days + (1 - p) * after.days, (WAIT, *after.steps)
    )


def _later(rest: Situation, days: float) -> Situation:
    return replace(rest, patience_days=max(0.0, rest.patience_days - days))
