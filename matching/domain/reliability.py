"""Whether stated chances come true: bins of chances beside the share that fitted."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from matching.domain.metrics import BINS, expected_calibration_error
from matching.domain.proportions import wilson95
from matching.domain.verdicts import Verdict

LEAST = 50  # fittings below which a plot would show chance, not the odds
MOST_A_BIN = 20  # what a bin needs to be read by itself


@dataclass(frozen=True, slots=True)
class Share:
    """Some fittings and how many fitted; low..high is the 95 % Wilson interval of their share.

    stated: the mean chance they were given, 0..1, None without any.
    """

    name: str
    count: int
    fits: int
    stated: float | None

    @property
    def share(self) -> float | None:
        return self.fits / self.count if self.count else None

    @property
    def interval(self) -> tuple[float, float]:
        return wilson95(self.fits, self.count)


@dataclass(frozen=True, slots=True)
class Reliability:
    """Stated chances beside what happened: ten bins, each verdict, and the mean gap (ECE)."""

    count: int
    ece: float | None
    bins: tuple[Share, ...]
    verdicts: tuple[Share, ...]

    @property
    def enough(self) -> bool:
        return self.count >= LEAST

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def of_dict(cls, found: dict[str, Any]) -> "Reliability":
        shares = {k: tuple(Share(**one) for one in found[k]) for k in ("bins", "verdicts")}
        return cls(count=found["count"], ece=found["ece"], **shares)


def reliability(
    truths: Sequence[bool], chances: Sequence[float], verdicts: Sequence[Verdict]
) -> Reliability:
    """Return how stated chances compare with what happened.

    A chance on an edge belongs to the bin above it, 1 to the last, as in metrics.py. Raises
    ValueError when the lengths differ.
    """
    rows = list(zip(truths, chances, verdicts, strict=True))
    bins = []
    for n in range(BINS):
        name = f"{100 * n // BINS}-{100 * (n + 1) // BINS} %"
        bins.append(_share(name, [r for r in rows if min(BINS - 1, int(r[1] * BINS)) == n]))
    return Reliability(
        count=len(rows),
        ece=expected_calibration_error(truths, chances),
        bins=tuple(bins),
        verdicts=tuple(_share(one.value, [r for r in rows if r[2] is one]) for one in Verdict),
    )


def _share(name: str, rows: Sequence[tuple[bool, float, Verdict]]) -> Share:
    stated = sum(chance for _, chance, _ in rows) / len(rows) if rows else None
    return Share(name, len(rows), sum(true for true, _, _ in rows), stated)
