"""How likely a machine carries each number: tiers of likeness, each leaning on the next wider.

Sightings of the same model say most; where they are few, those of machines alike in what
matters for the kind, of the same revision, of the family, and of the make fill in. Each tier is
a Dirichlet prior for the one inside it (a hierarchical Dirichlet, by posterior means: Gelman
and others, Bayesian Data Analysis, chapter 5). What the widest tier leaves over is the chance
of a number never seen there.
"""

from collections.abc import Mapping, Sequence

TIERS = ("model", "matters", "revision", "family")  # nearest first
TIER_OF_LEVEL = {
    "same": "model",
    "immaterial": "matters",
    "same-revision": "revision",
    "same-family": "family",
    "other-revision": "family",
    "alike": "family",
    "unknown": "family",
}


def nested(at: Mapping[str, Mapping[str, float]]) -> list[dict[str, float]]:
    """Return for each tier, nearest first, the counts of it and of every nearer one."""
    found: list[dict[str, float]] = []
    so_far: dict[str, float] = {}
    for tier in TIERS:
        for number, weight in at.get(tier, {}).items():
            so_far[number] = so_far.get(number, 0.0) + weight
        found.append(dict(so_far))
    return found


def shares(
    tiers: Sequence[Mapping[str, float]],
    strengths: Sequence[float],
    base: Mapping[str, float],
) -> dict[str, float]:
    """Return the chance of each number; what lacks to 1 is the chance of one never seen.

    tiers: counts, nearest first, each holding those of the nearer ones. strengths: how many
    sightings the next wider tier stands for. base: the chances before any of them.
    """
    found = dict(base)
    for counts, strength in reversed(list(zip(tiers, strengths, strict=True))):
        total = sum(counts.values())
        if total > 0.0:
            found = {
                number: (counts.get(number, 0.0) + strength * found.get(number, 0.0))
                / (total + strength)
                for number in {*found, *counts}
            }
    return found


def base_of(counts: Mapping[str, float], strength: float) -> dict[str, float]:
    """Return the chances of a make's numbers, `strength` sightings left to ones not seen yet."""
    total = sum(counts.values()) + strength
    return {number: count / total for number, count in counts.items()} if counts else {}
