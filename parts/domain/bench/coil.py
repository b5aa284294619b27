"""Coils, windings, contacts and insulation held against one row of the limits."""

from parts.domain.bench.limits import BenchLimits
from parts.domain.bench.verdicts import Open, Reading, Verdict, checked, judge
from workshop.domain.refusals import ValueRefused


def judge_resistance(slug: str, measured_ohm: Reading, *, limits: BenchLimits) -> Verdict:
    """Return the verdict on a resistance in ohm against the row `slug`.

    OPEN fails, but for a row without an upper end: over the meter's range is more than enough.

    Raises ValueRefused: negative, not finite, or a row that is not one of resistance in ohm.
    """
    limit = limits.limits.get(slug)
    if limit is None or limit.unit != "ohm":
        raise ValueRefused({"slug": f"there is no range in ohm called {slug!r}"})
    measured = checked("measured_ohm", measured_ohm, "ohm")
    return judge(limit.quantity, measured, limit, open_passes=limit.high is None)


def judge_insulation(slug: str, measured_mohm: Reading, *, limits: BenchLimits) -> Verdict:
    """Return the verdict on an insulation resistance in megohm at the tester's d.c. voltage.

    OPEN (over the tester's range) passes. Raises ValueRefused as `judge_resistance`.
    """
    limit = limits.limits.get(slug)
    if limit is None or limit.unit != "Mohm":
        raise ValueRefused({"slug": f"there is no insulation limit called {slug!r}"})
    measured = checked("measured_mohm", measured_mohm, "Mohm")
    verdict = judge(limit.quantity, measured, limit, open_passes=True)
    if measured is None or isinstance(measured, Open) or limit.passes(measured):
        return verdict
    if limit.is_doubtful(measured):
        return verdict.noting("Dry it and measure again: a damp part reads low at first.")
    return verdict
