"""What machines of a family that stand here teach about the next one of it.

The chance that a part of a family's machine serves a need is taken as the share of such machines
that do, Beta distributed about what the engine predicts. Each machine here adds what the engine
says of its own part, a success as far as it fits and a failure as far as it does not, so that a
part of which nothing is known moves nothing. Beta-binomial: Gelman and others, Bayesian Data
Analysis, chapter 2; successes by parts of one are our own extension.
"""

from dataclasses import dataclass

# How many machines the prediction stands for: our own choice, see docs/adr/0024.
STRENGTH = 2.0


@dataclass(frozen=True, slots=True)
class Seen:
    """A prediction 0..1, how many machines of the family were seen, and how many serve."""

    predicted: float
    seen: float
    serve: float


def chance_of_next(one: Seen, *, strength: float = STRENGTH) -> float:
    """Return the chance, 0..1, that the next machine of the family serves the need."""
    return (strength * one.predicted + one.serve) / (strength + one.seen)
