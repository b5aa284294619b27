"""Estimating the weights of the evidence from what past fittings showed.

For each place evidence is looked up in (a piece of evidence, given what was found before it),
m is the chance of a level among pairs that fit, u among pairs that do not; the weight of the
level is log2(m / u) (Fellegi and Sunter 1969). Both are Dirichlet-smoothed: the table set by
hand stands as if it had been seen some number of times, a fit class starts from the table, a
kind of part from its class. With no outcome the weights are the table's to the last digit.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from matching.domain.odds import to_bits, to_p
from matching.domain.weights import Place, Weights
from parts.domain.kinds import Kind

# How many outcomes the table counts for in a class, and a class in a kind: on each side, m and u.
CLASS_STRENGTH = 100.0
KIND_STRENGTH = 60.0
FEW = 25.0  # outcomes of which half of what they say is believed
Shares = dict[str, float]


@dataclass(frozen=True, slots=True)
class Lesson:
    """One past fitting as it is learned from: the levels looked up, and whether it fitted."""

    kind: Kind
    levels: tuple[tuple[Place, str], ...]
    fitted: bool


@dataclass
class _Tally:
    """Levels counted at one place, among what fitted (True) and what did not."""

    counts: dict[bool, Counter[str]] = field(
        default_factory=lambda: {True: Counter(), False: Counter()}
    )


def smoothed(counts: Mapping[str, float], prior: Mapping[str, float]) -> Shares:
    """Return the posterior mean share of each level; `prior` holds Dirichlet pseudo-counts.

    Raises ZeroDivisionError when there is neither a count nor a prior.
    Source: Gelman et al., Bayesian Data Analysis, section 3.4 (multinomial model).
    """
    total = sum(counts.get(level, 0.0) for level in prior) + sum(prior.values())
    return {level: (counts.get(level, 0.0) + alpha) / total for level, alpha in prior.items()}


def shares_of(bits: Mapping[str, float]) -> tuple[Shares, Shares]:
    """Return shares (m, u) of levels that have exactly these weights, each adding up to 1.

    Weights alone do not say how common a level is. Of all that would do, this takes
    m ~ 2^((1-t) w), u ~ 2^(-t w), which has no freedom but t, found by halving. Weights that
    all speak for or all against have no such shares; they are shifted by the least that gives
    them, which is what normalising means.
    """
    low, high = -64.0, 64.0
    for _ in range(200):
        t = (low + high) / 2
        if sum(2.0 ** (-t * w) * (2.0**w - 1.0) for w in bits.values()) > 0.0:
            low = t
        else:
            high = t
    m = {level: 2.0 ** ((1 - t) * w) for level, w in bits.items()}
    u = {level: 2.0 ** (-t * w) for level, w in bits.items()}
    return _normal(m), _normal(u)


def _normal(shares: Shares) -> Shares:
    total = sum(shares.values())
    return {level: share / total for level, share in shares.items()}


def learn(lessons: Iterable[Lesson], weights: Weights) -> dict[str, dict[str, float]]:
    """Return the weights learned, in bits: {kind slug: {"place/level": bits}}.

    Only for kinds that were fitted; starts from the table of `weights`, as it was set by hand.
    The name "prior" holds the log2 odds of fit of the kind itself.
    """
    by_kind: dict[str, list[Lesson]] = defaultdict(list)
    by_class: dict[str, list[Lesson]] = defaultdict(list)
    for lesson in lessons:
        by_kind[lesson.kind.slug].append(lesson)
        by_class[lesson.kind.fit_class].append(lesson)
    found: dict[str, dict[str, float]] = {}
    for name, of_class in sorted(by_class.items()):
        table = _Learned.of_table(name, of_class, weights)
        general = table.narrowed(of_class, CLASS_STRENGTH)
        start = _moved(table.bits(), table.bits(), general.bits(), len(of_class))
        for slug in sorted({one.kind.slug for one in of_class}):
            own = general.narrowed(by_kind[slug], KIND_STRENGTH)
            found[slug] = _moved(start, general.bits(), own.bits(), len(by_kind[slug]))
    return found


def _moved(
    start: Mapping[str, float], was: Mapping[str, float], now: Mapping[str, float], outcomes: int
) -> dict[str, float]:
    """Return `start` moved by what changed from `was` to `now`, in full only by many outcomes.

    A level the table holds for all but impossible has next to no pseudo-counts: without this,
    one slip of the pen would take bits off it.
    """
    share = outcomes / (outcomes + FEW)
    return {name: bits + share * (now[name] - was[name]) for name, bits in start.items()}


@dataclass(frozen=True)
class _Learned:
    """Shares by place, and the odds of fit, of a class or of one kind."""

    prior: float
    places: Mapping[Place, tuple[Shares, Shares]]

    @classmethod
    def of_table(cls, name: str, lessons: list[Lesson], weights: Weights) -> "_Learned":
        """Return shares with the table's weights, at every place these lessons looked."""
        start = {
            place: shares_of(weights.levels(place, name))
            for place in {place for one in lessons for place, _ in one.levels}
        }
        return cls(weights.prior(name), start)

    def narrowed(self, lessons: list[Lesson], strength: float) -> "_Learned":
        """Return what these lessons make of it, this counting for `strength` outcomes a side."""
        tallies: dict[Place, _Tally] = defaultdict(_Tally)
        for one in lessons:
            for place, level in one.levels:
                tallies[place].counts[one.fitted][level] += 1
        fits = sum(one.fitted for one in lessons)
        p = (fits + strength * to_p(self.prior)) / (len(lessons) + strength)
        places = {
            place: tuple(
                smoothed(
                    tallies[place].counts[side], {k: strength * share for k, share in was.items()}
                )
                for side, was in ((True, m), (False, u))
            )
            for place, (m, u) in self.places.items()
        }
        return _Learned(to_bits(p), places)  # type: ignore[arg-type]

    def bits(self) -> dict[str, float]:
        found = {"prior": self.prior}
        for place, (m, u) in sorted(self.places.items()):
            found |= {f"{place}/{level}": math.log2(m[level] / u[level]) for level in m}
        return found
