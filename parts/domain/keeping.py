"""What a part is worth on the shelf, and how many of a kind to keep.

Requests for a part come as a Poisson process. Source: practice.md 9 (keep what is asked for within
a year or two, a reserve of one) and the newsvendor rule (Arrow, Harris and Marschak, Econometrica
19 (1951) 250).
"""

import math

from scipy.stats import nbinom

from workshop.domain.refusals import Checks

MOST_MONEY, MOST_YEARS = 1e7, 100.0


def keep_value(
    *,
    asked_per_year: float,
    years: float,
    price: float,
    scrap: float = 0.0,
    shelf_per_year: float = 0.0,
    strip_cost: float = 0.0,
) -> float:
    """Return what taking a part off and keeping it for so many years is expected to bring.

    It sells when first asked for; what is unsold at the end brings its scrap. The shelf is paid
    until either. Raises ValueRefused.
    """
    with Checks() as bad:
        bad.number("asked_per_year", asked_per_year, "a year", least=0, most=1e5)
        bad.number("years", years, "years", least=0, most=MOST_YEARS)
        for name, amount in (
            ("price", price),
            ("scrap", scrap),
            ("shelf_per_year", shelf_per_year),
            ("strip_cost", strip_cost),
        ):
            bad.number(name, amount, "(money)", least=0, most=MOST_MONEY)
    sold = -math.expm1(-asked_per_year * years)
    on_shelf = sold / asked_per_year if asked_per_year > 0 else years
    return price * sold + scrap * (1 - sold) - shelf_per_year * on_shelf - strip_cost


def critical_ratio(*, price: float, cost: float, salvage: float = 0.0) -> float:
    """Return the newsvendor's ratio Cu / (Cu + Co), 0..1: stock up to that quantile of demand.

    cost: what keeping one costs; salvage: what one left over brings. 0 where selling does not pay.
    Raises ValueRefused.
    """
    with Checks() as bad:
        for name, amount in (("price", price), ("cost", cost), ("salvage", salvage)):
            bad.number(name, amount, "(money)", least=0, most=MOST_MONEY)
        if salvage >= cost:
            bad.refuse("salvage", "is no less than the cost: then every one is worth keeping")
    under, over = price - cost, cost - salvage
    return max(0.0, under / (under + over)) if under > 0 else 0.0


def how_many_to_keep(
    *, asked: int, months: float, ahead_months: float, ratio: float, prior_asked: float = 0.5
) -> int:
    """Return how many of a kind to have for the months ahead.

    asked: requests counted over `months`. Their rate is Gamma(prior_asked + asked, months), so
    demand ahead is negative-binomial; the answer is its smallest quantile of at least `ratio`.
    Raises ValueRefused.
    """
    with Checks() as bad:
        bad.number("asked", asked, "requests", least=0, most=1e6)
        bad.number("months", months, "months", above=0, most=12 * MOST_YEARS)
        bad.number("ahead_months", ahead_months, "months", least=0, most=12 * MOST_YEARS)
        bad.number("ratio", ratio, least=0)
        bad.number("prior_asked", prior_asked, "requests", above=0)
        if ratio >= 1:
            bad.refuse("ratio", "no stock meets every demand for certain; give less than 1")
    if ahead_months == 0 or ratio == 0:
        return 0
    return int(nbinom.ppf(ratio, prior_asked + asked, months / (months + ahead_months)))
