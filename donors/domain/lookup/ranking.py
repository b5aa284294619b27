"""From rows that may be meant to models, best first, each with how it was found."""

from collections.abc import Callable, Sequence
from math import exp
from typing import NamedTuple

from donors.domain.lookup import alike, costs
from donors.domain.lookup.calibration import Calibration, Seen
from donors.domain.lookup.search import Hit
from donors.domain.model_numbers import folded
from donors.domain.recognising import How

OTHER_MAKE = 3.0  # nats: a stated make is right about nineteen times in twenty
LEAST_PREFIX = 5
MOST_COST = 30.0
MOST_ROWS = 24  # models, where several share a number
ALIKE_A_CHARACTER = 1.2  # a cost below which nearly all of a text is explained
COST_A_CHARACTER = 3.1  # beyond this a text has nothing of the number any more
MOST_UNLIKE = 0.75 * alike.MOST  # unless it shares this much of its trigrams and beginning


class Found(NamedTuple):
    """A model that may be meant. cost ranks, and noise is what of it misreading alone explains,
    in nats; likeness 0..1 is shown; probability 0..1 is calibrated for
    the first of a list, and shared out by cost among the others."""

    place: int
    model: int
    number: str
    filled: str
    how: How
    cost: float
    noise: float
    same_make: bool
    likeness: float
    probability: float = 0.0


def rank(
    query: str,
    hits: Sequence[Hit],
    *,
    make_of: Callable[[Hit], int],
    make: int | None,
    calibration: Calibration,
    most: int = 8,
) -> list[Found]:
    """Return one candidate a model, best first. A stated make is preferred, none excluded.

    At most `most` different numbers: where several makes sell one number, it counts once.
    """
    ranked = in_order(query, hits, make_of=make_of, make=make)
    if not ranked:
        return []
    chance = calibration.probability(what_was_seen(query, ranked, make))
    first = first_numbers(ranked, most)
    return _with_chances(first, chance, [one.cost for one in ranked[1:]])


def first_numbers(ranked: Sequence[Found], most: int) -> list[Found]:
    """Return the first of a list, as far as the first `most` different numbers go."""
    numbers = list(dict.fromkeys(one.number for one in ranked))[:most]
    return [one for one in ranked if one.number in numbers][:MOST_ROWS]


def reads_alike(query: str, ranked: Sequence[Found]) -> bool:
    """Return whether the best candidate explains nearly all of what was read."""
    return any(one.noise <= ALIKE_A_CHARACTER * len(query) for one in ranked[:1])


def in_order(
    query: str, hits: Sequence[Hit], *, make_of: Callable[[Hit], int], make: int | None
) -> list[Found]:
    """Return the best row of every model that has enough of the query, best first."""
    best: dict[tuple[int, int], Found] = {}
    for hit in hits:
        how = how_found(query, hit)
        if how is How.UNKNOWN:
            continue
        same = make is None or make_of(hit) == make
        noise = hit.cost + (0.0 if same else OTHER_MAKE)
        found = Found(
            hit.place,
            hit.model,
            hit.number,
            hit.filled,
            how,
            noise + hit.unlike,
            noise,
            same,
            exp(-hit.cost / 12),
        )
        key = (hit.place, hit.model)
        if key not in best or _order(found) < _order(best[key]):
            best[key] = found
    return sorted(best.values(), key=_order)


def what_was_seen(query: str, ranked: Sequence[Found], make: int | None) -> Seen:
    """Return what the stated probability depends on."""
    first = ranked[0]
    return Seen(
        costs=[one.noise for one in ranked],
        unlike=[one.cost - one.noise for one in ranked],
        length=len(query),
        sure=first.how.certain,
        begins=first.how is How.SHORTENED,
        make_agrees=None if make is None else first.same_make,
    )


def how_found(query: str, hit: Hit) -> How:
    """Return how a row was found; UNKNOWN when it has too little of the query."""
    if hit.number == query:
        return How.ALIAS if hit.alias else How.EXACT
    if hit.filled == query and len(hit.number) == len(query):
        return How.WILDCARD
    if hit.way == costs.WHOLE and not hit.edits:
        return How.CONFUSABLE
    if hit.way == costs.BEGINS and not hit.edits:
        return How.SHORTENED if len(query) >= LEAST_PREFIX else How.NEAR
    near = hit.cost <= min(MOST_COST, COST_A_CHARACTER * len(query))
    return How.NEAR if near or _may_be_variant(query, hit) else How.UNKNOWN


def _may_be_variant(query: str, hit: Hit) -> bool:
    """Return whether a number that no misreading explains may stand for another of its series."""
    begins = folded(hit.filled[:LEAST_PREFIX]) == folded(query[:LEAST_PREFIX])
    return hit.unlike <= MOST_UNLIKE or (begins and len(query) > LEAST_PREFIX)


def _order(found: Found) -> tuple[bool, bool, int, float, int, str]:
    sure = found.how.certain
    rank_of = list(How).index(found.how) if sure else 0
    return (
        not sure,
        sure and not found.same_make,
        rank_of,
        round(found.cost, 6),
        len(found.number),
        found.number,
    )


def _with_chances(first: Sequence[Found], chance: float, others: Sequence[float]) -> list[Found]:
    """Return the first candidates with their chances. others: the costs of all but the best."""
    shares = [exp(-min(cost, 60.0)) for cost in others]
    # Something of the rest is kept for a machine that is not in the catalogue at all.
    total = sum(shares) + exp(-12.0)
    rest = [min(chance, (1 - chance) * share / total) for share in shares[: len(first) - 1]]
    return [one._replace(probability=p) for one, p in zip(first, [chance, *rest], strict=True)]


def settled(found: Sequence[Found]) -> Found | None:
    """Return the one candidate a machine may be called without asking; None otherwise.

    Only exact, alias and wildcard hits settle it, and only when no second model ties.
    """
    if not found or not found[0].how.certain:
        return None
    top = found[0]
    ties = [one for one in found if one.how == top.how and one.same_make == top.same_make]
    return top if len(ties) == 1 else None
