"""One input of a bench test, declared; and reading what was typed into it."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from parts.domain.bench.verdicts import OPEN, Open, Reading
from workshop.domain.refusals import Checks

LONGEST = 40  # characters of a figure; more is a paste gone wrong
OPEN_WORDS = frozenset({"open", "ol", "o.l", "over range"})
_FIGURE = re.compile(r"[+-]?(\d+([.]\d*)?|[.]\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity|∞)", re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+", re.ASCII)


class Ask(StrEnum):
    """What an input takes. READING: a figure, or OPEN where the meter shows no connection."""

    NUMBER = "number"
    READING = "reading"
    ANSWER = "answer"
    CHOICE = "choice"


class Answer(StrEnum):
    """What a person says of what no meter can tell."""

    GOOD = "good"
    DOUBTFUL = "doubtful"
    BAD = "bad"
    NOT_LOOKED = "not-looked"

    @property
    def words(self) -> str:
        return {"good": "as it should be", "not-looked": "not looked"}.get(self.value, self.value)


ANSWERS = tuple((answer.value, answer.words) for answer in Answer)
Value = float | Open | str | None


@dataclass(frozen=True, slots=True)
class Input:
    """One thing a test asks for.

    required: without it a reading cannot be judged (a plate value, a temperature). known_as: the
    attribute of a part that holds it. options: (value, words) of a CHOICE.
    """

    name: str
    label: str
    unit: str = ""
    type: Ask = Ask.READING
    required: bool = False
    help: str = ""
    known_as: str = ""
    options: tuple[tuple[str, str], ...] = ()

    @property
    def values(self) -> tuple[tuple[str, str], ...]:
        """What may be chosen; () for figures."""
        return ANSWERS if self.type is Ask.ANSWER else self.options

    def read(self, typed: Any, bad: Checks) -> Value:
        """Return what was typed as a value; None when blank. Faults are noted in `bad`."""
        text = str(typed if typed is not None else "").strip()
        if not text:
            return None
        if self.values:
            return self._chosen(text, bad)
        if self.type is Ask.READING and text.lower() in OPEN_WORDS:
            return OPEN
        return figure(self.name, text, bad)

    def _chosen(self, text: str, bad: Checks) -> str | None:
        if text in dict(self.values):
            return text
        said = ", ".join(value for value, _ in self.values)
        bad.refuse(self.name, f"{text[:LONGEST]!r} is none of {said}")
        return None


def figure(field: str, text: str, bad: Checks) -> float | None:
    """Return a typed figure, its decimals after a point or a comma; note why it is none.

    1,500 is refused: some read it as 1.5 and some as 1500.
    """
    if _NOT_FINITE.fullmatch(text):
        bad.refuse(field, f"{text} is no reading; give a finite number or leave it blank")
        return None
    if _THOUSANDS.fullmatch(text):
        bad.refuse(field, f"{text!r} can be read two ways; write it without a comma")
        return None
    plain = text.replace("−", "-").replace(",", ".") if text.count(",") <= 1 else text
    if len(plain) > LONGEST or not _FIGURE.fullmatch(plain):
        bad.refuse(field, f"{text[:LONGEST]!r} is no number; write it like 26.4")
        return None
    found = float(plain)
    if not math.isfinite(found):
        bad.refuse(field, f"{text} is no reading; give a finite number or leave it blank")
        return None
    return found


@dataclass(frozen=True, slots=True)
class Given:
    """What was typed into a form, read: a value by the name of its input; None is blank."""

    values: Mapping[str, Value]

    def reading(self, name: str) -> Reading:
        """Return a figure, OPEN or None."""
        found = self.values.get(name)
        return found if found is None or isinstance(found, Open) else _number(found)

    def number(self, name: str) -> float | None:
        found = self.reading(name)
        return None if isinstance(found, Open) else found

    def chosen(self, name: str) -> str:
        """Return what was chosen, "" for nothing."""
        found = self.values.get(name)
        return found if isinstance(found, str) and not isinstance(found, Open) else ""

    def says(self, *names: str) -> bool:
        """Return True when any of these was given."""
        return any(self.values.get(name) not in (None, "") for name in names)


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) else None
