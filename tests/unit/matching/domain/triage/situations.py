"""Machines to decide on, and the slow obvious judge: every order of tries, written out."""

from itertools import permutations

from hypothesis import strategies as st

from matching.domain import waiting
from matching.domain.triage.options import NewPart, Served, Situation, StockPart, Wait
from matching.domain.waiting import Arrivals

money = st.integers(0, 400).map(float)
chance = st.sampled_from([0.0, 0.1, 0.3, 0.5, 0.8, 0.95, 1.0])


@st.composite
def situations(draw):
    stock = tuple(
        StockPart(f"p{number}", draw(st.integers(0, 80)), draw(chance))
        for number in range(draw(st.integers(0, 2)))
    )
    new = wait = None
    if draw(st.booleans()):
        new = NewPart(draw(money), draw(st.integers(0, 40)), draw(chance))
    if draw(st.booleans()):
        arrivals = Arrivals(draw(st.floats(0.5, 12)), draw(st.floats(50, 500)), draw(chance))
        wait = Wait(arrivals, draw(st.integers(1, 60)), draw(money), draw(st.integers(0, 2)))
    serves = tuple(Served(f"j{n}", 30.0, draw(chance)) for n in range(draw(st.integers(0, 2))))
    return Situation(
        worth=draw(money),
        labour=draw(st.integers(0, 80).map(float)),
        strip_value=float(draw(st.integers(-20, 120))),
        serves=serves,
        stock=stock,
        new=new,
        wait=wait,
        floor_per_week=float(draw(st.integers(0, 10))),
        patience_days=float(draw(st.integers(0, 60))),
        may_break=draw(st.booleans()),
    )


def best_money(now):
    """Return the most money of any order of tries with any end, or of no try at all."""
    tries = [*now.stock, *(one for one in (now.new, now.wait) if one is not None)]
    ends = [0.0] + [now.strip_value + sum(s.margin * s.chance for s in now.serves)] * now.may_break
    orders = (order for size in range(len(tries) + 1) for order in permutations(tries, size))
    return max(money_of(now, order, end) for order in orders for end in ends)


def money_of(now, order, end):
    """Sum over which try works first: its chance times what came in and went out until then."""
    total, none_yet, spent, patience = 0.0, 1.0, 0.0, now.patience_days
    for one in order:
        if isinstance(one, Wait):
            days = min(one.days, patience)
            if days <= 0:
                return float("-inf")
            p = waiting.chance(one.arrivals, days=days, ahead=one.ahead)
            parked = waiting.expected_days(one.arrivals, ahead=one.ahead, until=days)
            # floor is paid for the days waited on average, labour only when the part comes
            total -= none_yet * now.floor_per_week * parked / 7
            total += none_yet * p * (now.worth - one.price - now.labour - spent)
        else:
            days = one.days if isinstance(one, NewPart) else 0.0
            if days > patience:
                return float("-inf")
            p = one.p_works
            spent += now.labour + now.floor_per_week * days / 7
            total += none_yet * p * (now.worth - one.price - spent)
        none_yet *= 1 - p
        patience -= days
    return total + none_yet * (end - spent)
