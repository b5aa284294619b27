"""A reading against the value printed on the part or in its service sheet."""

from dataclasses import replace

from parts.domain.bench.limits import Limit
from parts.domain.bench.verdicts import Reading, Verdict, checked, judge
from workshop.domain.refusals import Checks


def judge_share(
    what: str, measured: Reading, *, printed: float | None, unit: str, limit: Limit
) -> Verdict:
    """Return the verdict on a reading, held in its own unit; `limit` is in percent of `printed`.

    OPEN fails. Raises ValueRefused: `measured` negative or not finite, `printed` missing or not
    above 0.
    """
    read = checked("measured", measured, unit)
    with Checks() as bad:
        bad.number("printed", printed, unit, above=0)
    assert printed is not None
    value = float(printed)

    def at(percent: float | None) -> float | None:
        return None if percent is None else value * (1 + percent / 100)

    window = replace(
        limit,
        unit=unit,
        low=at(limit.low),
        high=at(limit.high),
        doubtful_low=at(limit.doubtful_low),
        doubtful_high=at(limit.doubtful_high),
        source=f"{value:g} {unit} stated; {limit.source}",
    )
    return judge(what, read, window)


def judge_difference(
    what: str, measured: float | None, *, printed: float | None, unit: str, limit: Limit
) -> Verdict:
    """Return the verdict on how far a reading is off the print, both in `unit` like `limit`.

    Raises ValueRefused: not finite, `printed` missing.
    """
    with Checks() as bad:
        bad.number("measured", measured, unit, needed=False)
        bad.number("printed", printed, unit)
    assert printed is not None
    if measured is None:
        return judge(what, None, limit)
    verdict = judge(what, measured - printed, limit)
    return verdict.noting(f"{measured:g} {unit} read, {printed:g} {unit} printed.")
