"""Codes a machine displays: a workshop's own table by make and range, read from plain rows.

Columns: make, range, appliance, code, meaning, suspects (`kind=weight|kind=weight`). A blank
range stands for every range of the make. Makers' codes are the workshop's to write down; the
ones delivered are invented, for invented makes.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Self

from matching.domain.diagnosis.tables import Symptom, check_weights
from workshop.domain.refusals import Checks, ValueRefused

COLUMNS = ("make", "range", "appliance", "code", "meaning", "suspects")


@dataclass(frozen=True, slots=True)
class FaultCode:
    """What one code means on the machines of a make and range."""

    make: str
    range: str
    appliance: str
    code: str
    meaning: str
    suspects: Mapping[str, float]

    @classmethod
    def of(cls, row: Mapping[str, str]) -> Self:
        """Build from a row of text. Raises ValueRefused, one sentence a column at fault."""
        with Checks() as bad:
            for column in ("make", "appliance", "code", "suspects"):
                if not row.get(column, "").strip():
                    bad.refuse(column, "is blank; a code needs it")
            suspects = _suspects(bad, row.get("suspects", "")) if row.get("suspects") else {}
        told = {name: row.get(name, "").strip() for name in ("make", "range", "appliance")}
        return cls(
            **told,
            code=written(row["code"]),
            meaning=row.get("meaning", "").strip(),
            suspects=suspects,
        )

    @property
    def slug(self) -> str:
        """Return the name closed jobs are counted under."""
        return ":".join(["code", self.make, self.range, self.appliance, self.code]).casefold()

    def as_symptom(self) -> Symptom:
        name = f"shows {self.code}" + (f": {self.meaning}" if self.meaning else "")
        return Symptom(self.slug, self.appliance, name, self.suspects)


def written(code: str) -> str:
    """Return a code as compared: upper case, blanks, hyphens, colons and full stops out."""
    return "".join(one for one in code.upper() if one not in " \t\u00a0-:.")


@dataclass(frozen=True)
class FaultCodes:
    """A workshop's table of codes."""

    codes: tuple[FaultCode, ...]

    @classmethod
    def of(cls, rows: Iterable[Mapping[str, str]]) -> Self:
        """Build from rows. Raises ValueRefused with every row at fault, rows counted from 1."""
        codes: list[FaultCode] = []
        with Checks() as bad:
            seen: set[str] = set()
            for number, row in enumerate(rows, start=1):
                try:
                    code = FaultCode.of(row)
                except ValueRefused as refused:
                    bad.refuse(f"row {number}", str(refused))
                    continue
                if code.slug in seen:
                    bad.refuse(f"row {number}", f"{code.make} {code.code} is there twice")
                seen.add(code.slug)
                codes.append(code)
        return cls(tuple(codes))

    def find(self, code: str, *, make: str, appliance: str, range_: str = "") -> FaultCode | None:
        """Return what a code means on a machine, the row of its range before the make's."""
        read, asked = written(code), (make.casefold(), appliance)
        found = {
            one.range.casefold(): one
            for one in self.codes
            if one.code == read and (one.make.casefold(), one.appliance) == asked
        }
        return found.get(range_.casefold()) or found.get("")


def read_suspects(text: str) -> dict[str, float]:
    """Return `kind=weight|kind=weight` as weights. Raises ValueRefused on the field `suspects`."""
    with Checks() as bad:
        weights = _suspects(bad, text)
    return weights


def suspects_text(weights: Mapping[str, float]) -> str:
    """Return weights as `kind=weight|kind=weight`, the heaviest first."""
    heaviest = sorted(weights, key=lambda name: (-weights[name], name))
    return "|".join(f"{name}={weights[name]:.10g}" for name in heaviest)


def _suspects(bad: Checks, text: str) -> dict[str, float]:
    weights: dict[str, float] = {}
    for pair in filter(None, (one.strip() for one in text.split("|"))):
        name, _, weight = (one.strip() for one in pair.partition("="))
        if name in weights:
            bad.refuse("suspects", f"{name} is there twice; give it one weight")
        try:
            weights[name] = float(weight)
        except ValueError:
            name = ""
        if not name:
            bad.refuse("suspects", f"{pair!r} is no kind with its weight; write it drain-pump=3")
    check_weights(bad, "suspects", weights)
    return weights
