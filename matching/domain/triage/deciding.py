"""The best thing to do with a machine, the runner-up, and what would have to change."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from matching.domain import waiting
from matching.domain.triage.options import (
    BREAK,
    HAND_BACK,
    MOST_MONEY,
    NEW,
    STOCK,
    WAIT,
    Option,
    Situation,
    Wait,
    options,
    ranked,
)
from matching.domain.waiting import Arrivals

_SAYS = {
    STOCK: "fitting the part in stock",
    NEW: "buying new",
    WAIT: "waiting",
    BREAK: "breaking for parts",
    HAND_BACK: "handing it back",
}
# Where an assumption is looked at between now and its ends; between two of them it is halved.
_LOOKS, _HALVINGS = 24, 26


@dataclass(frozen=True, slots=True)
class Threshold:
    """Where one assumption changes the answer.

    now, at: its value today and at the change; wins: what is best beyond it; moved: how far it is
    in doublings of its value (or of its odds, for a chance), by which the nearest is found.
    """

    assumption: str
    now: float
    at: float
    wins: str
    moved: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Decision:
    """options: the best way on from each first step, the most money first.

    threshold: the nearest change of one assumption that changes the best first step, None when
    no single one does.
    """

    options: tuple[Option, ...]
    threshold: Threshold | None
    thresholds: tuple[Threshold, ...]

    @property
    def best(self) -> Option:
        return self.options[0]

    @property
    def runner_up(self) -> Option | None:
        """Return the next best first step; None when nothing can be done but hand it back."""
        return self.options[1] if len(self.options) > 1 else None


def decide(situation: Situation) -> Decision:
    """Return what to do, and the assumptions that would change it, the nearest first."""
    found = _one_each(options(situation))
    changes = sorted(_thresholds(situation), key=lambda one: (one.moved, one.assumption))
    return Decision(tuple(found), changes[0] if changes else None, tuple(changes))


def _one_each(ranked_options: Sequence[Option]) -> list[Option]:
    """Keep the best of each kind of first step, as of several parts in stock."""
    seen: dict[str, Option] = {}
    for one in ranked_options:
        seen.setdefault(one.first, one)
    return list(seen.values())


@dataclass(frozen=True, slots=True)
class _Assumption:
    """One thing believed. put: the situation with another value; ends: between which it lies."""

    name: str
    now: float
    ends: tuple[float, float]
    put: Callable[[float], Situation]
    shown: Callable[[float], str]
    is_chance: bool = False

    def moved(self, to: float) -> float:
        if self.is_chance:
            return abs(_logit(to) - _logit(self.now))
        return abs(math.log2(max(to, 1e-9) / max(self.now, 1e-9)))


def _thresholds(situation: Situation) -> Iterator[Threshold]:
    best = _first(situation)
    for one in _assumptions(situation):
        for end in one.ends:
            found = _change(one, end, best)
            if found is not None:
                yield found


def _change(one: _Assumption, end: float, best: str) -> Threshold | None:
    """Look outwards from now to an end; halve where the best first step changes."""
    inside = one.now
    for look in range(1, _LOOKS + 1):
        outside = one.now + (end - one.now) * (look / _LOOKS) ** 2
        if _first(one.put(outside)) != best:
            break
        inside = outside
    else:
        return None
    for _ in range(_HALVINGS):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if _first(one.put(middle)) == best else (inside, middle)
    wins = _first(one.put(outside))
    way = "above" if end > one.now else "below"
    sentence = f"{_SAYS[wins]} wins {way} {one.shown(outside)} {one.name}; now {one.shown(one.now)}"
    return Threshold(one.name, one.now, outside, wins, one.moved(outside), sentence)


def _first(situation: Situation) -> str:
    return ranked(situation)[0].first


def _assumptions(now: Situation) -> Iterator[_Assumption]:
    yield _money("for the running machine", now.worth, lambda x: replace(now, worth=x))
    yield _money("of labour", now.labour, lambda x: replace(now, labour=x))
    yield _money("a week of floor", now.floor_per_week, lambda x: replace(now, floor_per_week=x))
    if now.may_break and now.strip_value > 0:
        yield _money("of strip value", now.strip_value, lambda x: replace(now, strip_value=x))
    new, wait = now.new, now.wait
    if new is not None:
        yield _money(
            "for the new part", new.price, lambda x: replace(now, new=replace(new, price=x))
        )
    if now.stock:
        yield _stock(now)
    if wait is not None and 0 < wait.chance < 1:
        yield _arrivals(now)


def _money(name: str, amount: float, put: Callable[[float], Situation]) -> _Assumption:
    top = min(MOST_MONEY, 4 * amount + 100)
    return _Assumption(name, amount, (0.0, top), put, lambda x: f"{x:.2f}")


def _stock(now: Situation) -> _Assumption:
    part = max(now.stock, key=lambda one: one.p_works)
    others = tuple(one for one in now.stock if one is not part)
    return _Assumption(
        "that the part in stock works",
        part.p_works,
        (0.0, 1.0),
        lambda p: replace(now, stock=(replace(part, p_works=p), *others)),
        _percent,
        is_chance=True,
    )


def _arrivals(now: Situation) -> _Assumption:
    """The chance that a donor comes in time, moved by how often such machines come in."""
    wait = now.wait
    assert wait is not None

    def put(chance: float) -> Situation:
        return replace(now, wait=replace(wait, arrivals=_as_likely(wait, chance)))

    return _Assumption(
        f"within {wait.days:g} days", wait.chance, (0.001, 0.999), put, _percent, is_chance=True
    )


def _as_likely(wait: Wait, chance: float) -> Arrivals:
    """Return arrivals so much more or less frequent that the wait has this chance.

    Exact: the day by which today's arrivals reach the chance, over the days there are.
    """
    day = waiting.day_by(wait.arrivals, reaching=chance, ahead=wait.ahead)
    return wait.arrivals.faster((day or waiting.LONGEST_DAYS) / wait.days)


def _percent(p: float) -> str:
    return f"{100 * p:.0f} %"


def _logit(p: float) -> float:
    held = min(max(p, 1e-6), 1 - 1e-6)
    return math.log2(held / (1 - held))
