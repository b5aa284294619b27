"""How surely a part is asked for: requests for its kind, shared among the parts of it on hand.

Requests come as a Poisson stream whose rate is known only by counting: a Gamma belief, so that
the number of requests in the year ahead is negative binomial (Gelman et al., Bayesian Data
Analysis, ch. 2; the same form as for waiting, design.md section 6). That a request takes any one
of the parts on hand with the same chance is a simplification of ours.
"""

from workshop.domain.refusals import Checks

# One request in a year, worth a year of counting: what is assumed of a kind before anything is
# counted. A guess of ours.
PRIOR_REQUESTS, PRIOR_MONTHS = 1.0, 12.0
LOOK_BACK_MONTHS = 24.0  # common practice: the demand of the last two years
AHEAD_MONTHS = 12.0


def p_asked(requests: int, *, months: float, on_hand: int) -> float:
    """Return the chance 0..1 that one more part of a kind is asked for within a year.

    requests: needs opened for the kind in the `months` counted (at most LOOK_BACK_MONTHS);
    on_hand: parts of the kind taken out and not promised. Raises ValueRefused.
    """
    with Checks() as bad:
        bad.number("requests", requests, "requests", least=0)
        bad.number("months", months, "months", least=0, most=LOOK_BACK_MONTHS)
        bad.number("on_hand", on_hand, "parts", least=0)
    counted = PRIOR_MONTHS + months
    share = AHEAD_MONTHS / (on_hand + 1)
    return 1.0 - (counted / (counted + share)) ** (PRIOR_REQUESTS + requests)


def value_if_good(price: float, *, asked: float, p_fit: float = 0.0, pays: float = 0.0) -> float:
    """Return what a good part brings: to the job that waits for it, else when it is asked for.

    p_fit: that it fits the waiting job, which pays the price or, when known, more.
    """
    return p_fit * max(price, pays) + (1.0 - p_fit) * price * asked
