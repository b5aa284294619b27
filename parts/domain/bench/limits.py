"""Limits as data: what a reading is held against, where that stands, and what it is worth."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self


class Standing(StrEnum):
    """What kind of limit it is. Only the first may be shown as a standard's limit."""

    STANDARD = "standard"
    DERIVED = "derived"
    MAKER = "maker"
    GUIDE = "guide"
    JUDGEMENT = "judgement"  # what a person saw or stated: nothing was measured, there is no limit

    @property
    def words(self) -> str:
        return _WORDS[self]


_WORDS = {
    Standing.STANDARD: "limit of a standard",
    Standing.DERIVED: "derived from a standard, not itself its limit",
    Standing.MAKER: "a maker's figure for one part",
    Standing.GUIDE: "guide value, common practice",
    Standing.JUDGEMENT: "a person's judgement, no measured limit",
}


@dataclass(frozen=True, slots=True)
class Limit:
    """A window that passes, and a wider one that is only doubtful; beyond both it fails.

    None: open on that side. strict: a reading exactly on an end is outside it.
    """

    slug: str
    unit: str
    low: float | None
    high: float | None
    doubtful_low: float | None
    doubtful_high: float | None
    standing: Standing
    source: str
    strict: bool = False
    quantity: str = ""
    kinds: tuple[str, ...] = ()

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Self:
        """Build from a row of `limits` in bench_tests.json (or the same columns)."""
        values = {name: row[name] for name in cls.__slots__}
        return cls(**values | {"standing": Standing(row["standing"]), "kinds": tuple(row["kinds"])})

    def passes(self, value: float) -> bool:
        return self._within(value, self.low, self.high)

    def is_doubtful(self, value: float) -> bool:
        """Return True in the wider window and not in the inner one."""
        wide = self._within(value, self.doubtful_low, self.doubtful_high)
        return wide and not self.passes(value)

    def _within(self, value: float, low: float | None, high: float | None) -> bool:
        if self.strict:
            return (low is None or value > low) and (high is None or value < high)
        return (low is None or value >= low) and (high is None or value <= high)

    def __str__(self) -> str:
        return window_words(self.low, self.high, self.unit, strict=self.strict)


def window_words(low: float | None, high: float | None, unit: str, *, strict: bool = False) -> str:
    """Return a window in words: "25.19 to 29.39 ohm", "at least 1 Mohm"."""
    if low is None and high is None:
        return f"any {unit}".strip()
    if low is None:
        return f"{'below' if strict else 'at most'} {high:.5g} {unit}".strip()
    if high is None:
        return f"{'more than' if strict else 'at least'} {low:.5g} {unit}".strip()
    return f"{low:.5g} to {high:.5g} {unit}".strip()


@dataclass(frozen=True, slots=True)
class Deviation:
    """How far the input of an appliance may be off its plate, for one span of rated power.

    Fractions of the rated power; None: no bound. plus_w: counts instead when it is more.
    """

    kind: str
    above_w: float
    to_w: float | None
    minus: float | None
    plus: float
    plus_w: float | None
    standing: Standing
    source: str

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Self:
        return cls(**{**row, "standing": Standing(row["standing"])})

    def covers(self, kind: str, watts: float) -> bool:
        within = self.above_w < watts and (self.to_w is None or watts <= self.to_w)
        return within and self.kind in ("all", kind)

    def plus_of(self, watts: float) -> float:
        """Return the fraction allowed above the plate at this rated power."""
        return max(self.plus, (self.plus_w or 0.0) / watts)


@dataclass(frozen=True, slots=True)
class BenchLimits:
    """Everything in bench_tests.json, by name."""

    limits: Mapping[str, Limit]
    deviations: tuple[Deviation, ...]
    curves: Mapping[str, Mapping[str, Any]]
    letters: Mapping[str, Mapping[str, Any]]
    platinum: Mapping[str, Any]
    metals: Mapping[str, Mapping[str, Any]]

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Self:
        """Build from the parsed file; the domain itself reads no files."""
        return cls(
            limits={row["slug"]: Limit.of(row) for row in data["limits"]},
            deviations=tuple(Deviation.of(row) for row in data["power_deviations"]),
            curves=_by(data["ntc_curves"], "slug"),
            letters=_by(data["capacitor_letters"], "letter"),
            platinum=data["platinum"],
            metals=_by(data["winding_metals"], "slug"),
        )

    def __getitem__(self, slug: str) -> Limit:
        return self.limits[slug]

    def for_kind(self, kind: str) -> tuple[Limit, ...]:
        """Return the limits that speak of a part kind, in the order of the file."""
        return tuple(limit for limit in self.limits.values() if kind in limit.kinds)


def _by(rows: Iterable[Mapping[str, Any]], name: str) -> dict[str, Mapping[str, Any]]:
    return {row[name]: row for row in rows}
