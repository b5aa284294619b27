"""One row of `tests` in bench_forms.json."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self

from parts.domain.bench.limits import Limit, Standing
from parts.domain.bench.verdicts import Outcome, Verdict


class Stage(StrEnum):
    """The order of a bench test: look, resistance, insulation, function; the record ends it."""

    LOOK = "look"
    RESISTANCE = "resistance"
    INSULATION = "insulation"
    FUNCTION = "function"

    @property
    def words(self) -> str:
        return {"resistance": "Measure", "function": "Try it"}.get(
            self.value, self.value.capitalize()
        )


@dataclass(frozen=True, slots=True)
class Test:
    """A test as data. way: how it asks and judges (ways.WAYS); options: what that way needs."""

    slug: str
    name: str
    stage: Stage
    way: str
    do: str
    options: Mapping[str, Any]
    source: str

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Self:
        return cls(**{**row, "stage": Stage(row["stage"])})

    def field(self, what: str) -> str:
        """Return the name of an input of this test alone: drain_pump_coil_ohm."""
        plain = what.replace("°", "").replace("/", "_per_").replace("%", "percent")
        return f"{self.slug}-{plain}".replace("-", "_").strip("_").lower()

    def unmeasured(self, why: str = "", unit: str = "") -> Verdict:
        """Return the verdict of a test nothing was read for, or nothing can be held against."""
        return self.verdict(Outcome.NOT_MEASURED, f"not measured{why and f'; {why}'}.", unit=unit)

    def verdict(self, outcome: Outcome, said: str, *, unit: str = "") -> Verdict:
        """Return a verdict no limit was used for: a person's judgement."""
        limit = Limit(
            self.slug, unit, None, None, None, None, Standing.JUDGEMENT, self.source, quantity=""
        )
        sentence = f"{self.name[:1].upper()}{self.name[1:]}: {said}"
        return Verdict(self.name, outcome, None, unit, limit, sentence)
