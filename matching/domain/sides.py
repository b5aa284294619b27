"""The two sides of a match: a part on offer and a part wanted."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from donors.domain.machines import Machine
from parts.domain.part_numbers import Printed


@dataclass(frozen=True, slots=True)
class Side:
    """One side. Blank and {} mean unknown.

    number: as printed on the part (on the job's old part). machine: the donor it sits in or
    came from, or the job's own machine. row: which stored part or need it is, if it is one.
    """

    number: Printed = field(default_factory=Printed)
    position: str = ""
    attributes: Mapping[str, str] = field(default_factory=dict)
    machine: Machine = field(default_factory=Machine)
    row: int | None = None


class Line(NamedTuple):
    """A line of an explanation whose sentence is not written yet: most are never read."""

    evidence: str
    level: str
    bits: float
    offered: str
    wanted: str
    say: Callable[..., str]
    about: tuple[Any, ...]

    def row(self) -> "Row":
        sentence = self.say(*self.about)
        return Row(self.evidence, self.level, self.bits, self.offered, self.wanted, sentence)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of an explanation. `bits` is log2 of how much it moves the odds of fit."""

    evidence: str
    level: str
    bits: float
    offered: str
    wanted: str
    sentence: str

    def row(self) -> "Row":
        return self

    def as_dict(self) -> dict[str, object]:
        """Return the row as plain values, in the order of its columns."""
        return {
            "evidence": self.evidence,
            "level": self.level,
            "bits": self.bits,
            "offered": self.offered,
            "wanted": self.wanted,
            "sentence": self.sentence,
        }
