"""Odds of the suspects behind a symptom: a Dirichlet prior from the table, closed jobs counted.

The chance that the next job's fault is suspect k is (a_k + n_k) / (A + N), the predictive of the
Dirichlet-multinomial (Johnson, Kotz and Balakrishnan, Discrete Multivariate Distributions, 1997;
Gelman and others, Bayesian Data Analysis, 3.4).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Self

from matching.domain.diagnosis.tables import SOMETHING_ELSE
from workshop.domain.refusals import Checks

# The table weighs as much as so many closed jobs. Our own choice: after ten jobs with one symptom
# a workshop's own counts decide as much as the guide.
STRENGTH = 10.0
# What "something else" has of the table where it is not listed, and the part of it that a suspect
# only another symptom names is given. Our own choice; nothing is ever impossible.
LEFT_OPEN, UNLISTED = 0.05, 0.1

Odds = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Belief:
    """A Dirichlet belief: pseudo-counts by suspect, and the closed jobs already in them."""

    counts: Mapping[str, float]
    jobs: int = 0

    @classmethod
    def of_table(cls, weights: Mapping[str, float], *, strength: float = STRENGTH) -> Self:
        """Return the prior: the table's shares times a strength. Raises ValueRefused."""
        with Checks() as bad:
            bad.number("strength", strength, "jobs", above=0)
        total = math.fsum(weights.values())
        shares = {name: weight / total for name, weight in weights.items()}
        if SOMETHING_ELSE not in shares:
            shares = {name: share * (1 - LEFT_OPEN) for name, share in shares.items()}
            shares[SOMETHING_ELSE] = LEFT_OPEN
        return cls({name: strength * share for name, share in shares.items()})

    def after(self, closed: Mapping[str, int]) -> "Belief":
        """Return the belief with closed jobs counted, by what turned out to be at fault.

        A suspect the table does not list enters with its count. Raises ValueRefused.
        """
        with Checks() as bad:
            for name, count in closed.items():
                bad.number(name, count, "jobs", least=0)
        names = [*self.counts, *(name for name in closed if name not in self.counts)]
        counts = {name: self.counts.get(name, 0.0) + closed.get(name, 0) for name in names}
        return Belief(counts, self.jobs + sum(closed.values()))

    @property
    def odds(self) -> Odds:
        """Return the chance of each suspect; together 1."""
        total = math.fsum(self.counts.values())
        return {name: count / total for name, count in self.counts.items()}


def pooled(beliefs: Sequence[Belief]) -> Odds:
    """Return the odds behind several symptoms of one machine: their geometric mean.

    What a customer says and the code a machine shows mostly tell the same thing. Multiplied like
    independent evidence they would count twice; their mean is never surer than they are. A suspect
    only some of them list has UNLISTED of "something else" under the others.
    """
    if len(beliefs) == 1:
        return beliefs[0].odds
    every = [belief.odds for belief in beliefs]
    names = list(dict.fromkeys(name for odds in every for name in odds))
    logs = {
        name: math.fsum(math.log(odds.get(name, UNLISTED * odds[SOMETHING_ELSE])) for odds in every)
        for name in names
    }
    return normal({name: math.exp(log / len(every)) for name, log in logs.items()})


def normal(weights: Mapping[str, float]) -> Odds:
    """Return weights scaled to add up to 1."""
    total = math.fsum(weights.values())
    return {name: weight / total for name, weight in weights.items()}
