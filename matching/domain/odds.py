"""Odds in bits: log2 of p / (1 - p)."""

import math

TOP_BITS = 40.0


def to_p(bits: float) -> float:
    """Return the probability of log2 odds; 40 bits and more are as sure as it gets."""
    bits = max(-TOP_BITS, min(TOP_BITS, bits))
    return 1.0 / (1.0 + 2.0**-bits)


def to_bits(p: float) -> float:
    """Return log2 odds of a probability, held within +-40 bits."""
    if p <= 0.0:
        return -TOP_BITS
    if p >= 1.0:
        return TOP_BITS
    return math.log2(p / (1.0 - p))


def agreement_bits(m: float, u: float) -> float:
    """Return log2(m / u), the weight of an agreement (Fellegi and Sunter 1969)."""
    return math.log2(m / u)


def disagreement_bits(m: float, u: float) -> float:
    """Return log2((1 - m) / (1 - u)), the weight of a disagreement."""
    return math.log2((1.0 - m) / (1.0 - u))


def shift_by_counts(bits: float, *, hits: float, tries: float, strength: float) -> float:
    """Return how many bits counts move the odds, the odds so far being a Beta prior.

    The belief so far, p, stands as Beta(strength p, strength (1 - p)); hits of tries update it
    to its posterior mean. Starting from what the other evidence says, and not from a fixed
    rate, keeps counts that repeat that evidence from being counted twice.
    """
    if tries <= 0.0:
        return 0.0
    p = to_p(bits)
    posterior = (hits + strength * p) / (tries + strength)
    return to_bits(posterior) - to_bits(p)
