"""A build-date code read off a machine: what it may mean, what else is known, what was chosen.

Everything that cuts candidates stands beside the code, so that it can be cut anew when more
becomes known. Days are calendar days, years whole numbers.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from typing import Any

from donors.domain import build_dates
from donors.domain.build_dates import Bound, Decoded, Scheme
from workshop.days import FIRST_YEAR, LAST_YEAR
from workshop.domain.intervals import Interval
from workshop.domain.refusals import Checks, ValueRefused


class Known(StrEnum):
    """How a build date is known, best first."""

    PRINTED = "printed"
    CODED = "coded"
    SERIAL = "serial"
    BOUNDS = "bounds"

    @property
    def label(self) -> str:
        return _LABELS[self]


_LABELS = {
    Known.PRINTED: "printed on the plate",
    Known.CODED: "from a code on the plate",
    Known.SERIAL: "from the serial number",
    Known.BOUNDS: "not before and not after",
}
# Characters of a code, separators left out.
LENGTHS = {
    Scheme.ISO_WEEK: 6,
    Scheme.YEAR_WEEK: 4,
    Scheme.DIGIT_WEEK: 3,
    Scheme.DIGIT_DAY: 5,
    Scheme.LETTER_MANUAL: 2,
    Scheme.LETTER_IEC: 2,
}


@dataclass(frozen=True, slots=True)
class Clues:
    """What else is known of when a machine was built. None and () are not known.

    eras: slugs of build_eras.json (its energy label, its refrigerant).
    """

    receipt_on: date | None = None
    part_made_on: date | None = None
    sold_from: int | None = None
    sold_to: int | None = None
    eras: tuple[str, ...] = ()

    def bounds(self, eras: Mapping[str, Mapping[str, Any]]) -> list[Bound]:
        """Return the bounds they set. eras: rows of build_eras.json by slug, of the appliance.

        Raises ValueRefused by clue.
        """
        with Checks() as check:
            for name in ("sold_from", "sold_to"):
                year = getattr(self, name)
                if year is not None and not FIRST_YEAR <= year <= LAST_YEAR:
                    check.refuse(name, f"{year} lies outside {FIRST_YEAR} to {LAST_YEAR}")
            if self.sold_from and self.sold_to and self.sold_to < self.sold_from:
                check.refuse("sold_to", f"{self.sold_to} is before {self.sold_from}")
            for slug in self.eras:
                if slug not in eras:
                    check.refuse("eras", f"{slug!r} says nothing of such a machine")
        found = [build_dates.era(eras[slug]) for slug in self.eras]
        if self.receipt_on:
            found.append(build_dates.receipt(self.receipt_on))
        if self.part_made_on:
            found.append(build_dates.part_made(self.part_made_on))
        if self.sold_from or self.sold_to:
            found.append(build_dates.on_market(self.sold_from, self.sold_to))
        return found


@dataclass(frozen=True, slots=True)
class Dropped:
    """A candidate that was cut, and what cut it."""

    built: Interval
    why: str


@dataclass(frozen=True, slots=True)
class Reading:
    """A code, how it was read and what it may mean. chosen: which one a person said it is."""

    code: str
    scheme: Scheme
    known: Known
    clues: Clues = field(default_factory=Clues)
    kept: tuple[Interval, ...] = ()
    dropped: tuple[Dropped, ...] = ()
    chosen: Interval | None = None

    @property
    def settled(self) -> Interval | None:
        """The build interval: the one left, or the one a person chose."""
        return self.chosen or (self.kept[0] if len(self.kept) == 1 else None)

    def kept_choice(self, before: "Reading | None") -> "Reading":
        """Return this reading with what was chosen before, while it is among the candidates."""
        if before is None or before.chosen is None:
            return self
        old = before.chosen
        return replace(self, chosen=next((one for one in self.kept if one.overlaps(old)), None))

    def choose(self, start: date) -> "Reading":
        """Return the reading with the candidate that begins on `start` chosen.

        Raises ValueRefused when there is none.
        """
        found = next((one for one in self.kept if one.start == start), None)
        if found is None:
            there = ", ".join(str(one.start) for one in self.kept) or "none"
            raise ValueRefused(
                {"built_from": f"no candidate begins on {start}; there are: {there}"}
            )
        return replace(self, chosen=found)


def read_code(
    code: str,
    scheme: Scheme,
    *,
    known: Known = Known.CODED,
    until: date,
    received_on: date | None = None,
    clues: Clues | None = None,
    eras: Mapping[str, Mapping[str, Any]],
    also: Iterable[Bound] = (),
) -> Reading:
    """Return what a code may mean after all that is known.

    until: today; received_on: the day the machine came in; also: what else bounds it.
    Raises ValueRefused by field: the code (`code`), a clue, or `code` again when nothing agrees
    with all that is known.
    """
    clues = clues or Clues()
    bounds = [*also, *clues.bounds(eras)]
    last = until
    if received_on is not None:
        bounds.insert(0, build_dates.received(received_on))
        last = max(until, received_on)
    cut = build_dates.cut(build_dates.decode(code, scheme, until=last), bounds)
    if not cut.kept:
        whys = "; ".join(why for _, why in cut.dropped)
        raise ValueRefused({"code": f"{code!r} contradicts what else is known: {whys}"})
    return _reading(code, scheme, known, clues, cut)


def _reading(code: str, scheme: Scheme, known: Known, clues: Clues, cut: Decoded) -> Reading:
    return Reading(
        code=code.strip(),
        scheme=scheme,
        known=known,
        clues=clues,
        kept=tuple(candidate.built for candidate in cut.kept),
        dropped=tuple(Dropped(candidate.built, why) for candidate, why in cut.dropped),
    )


def code_in_serial(serial: str, scheme: Scheme, start: int) -> str:
    """Return the code that stands in a serial number. start: its first place, from 1.

    Places count letters and digits only. Raises ValueRefused when the number is too short.
    """
    text = re.sub(r"[\s\-./]", "", serial.upper())
    length = LENGTHS[scheme]
    code = text[start - 1 : start - 1 + length]
    if len(code) < length:
        raise ValueRefused(
            {
                "serial_number": f"{serial!r} has {len(text)} characters; the date code stands at "
                f"places {start} to {start + length - 1}"
            }
        )
    return code


def to_json(reading: Reading) -> dict[str, Any]:
    """Return the reading as it is stored and shown by the API."""
    clues = reading.clues
    return {
        "code": reading.code,
        "scheme": reading.scheme.name,
        "known": reading.known.value,
        "clues": {
            "receipt_on": _text(clues.receipt_on),
            "part_made_on": _text(clues.part_made_on),
            "sold_from": clues.sold_from,
            "sold_to": clues.sold_to,
            "eras": list(clues.eras),
        },
        "kept": [_ends(one) for one in reading.kept],
        "dropped": [{**_ends(one.built), "why": one.why} for one in reading.dropped],
        "chosen": _ends(reading.chosen) if reading.chosen else None,
    }


def from_json(stored: Mapping[str, Any]) -> Reading | None:
    """Return a stored reading; None for {} (nobody read a code)."""
    if not stored:
        return None
    clues = stored["clues"]
    return Reading(
        code=stored["code"],
        scheme=Scheme[stored["scheme"]],
        known=Known(stored["known"]),
        clues=Clues(
            receipt_on=_day(clues["receipt_on"]),
            part_made_on=_day(clues["part_made_on"]),
            sold_from=clues["sold_from"],
            sold_to=clues["sold_to"],
            eras=tuple(clues["eras"]),
        ),
        kept=tuple(_intervals(stored["kept"])),
        dropped=tuple(
            Dropped(built, one["why"])
            for built, one in zip(_intervals(stored["dropped"]), stored["dropped"], strict=True)
        ),
        chosen=next(_intervals([stored["chosen"]])) if stored["chosen"] else None,
    )


def _intervals(rows: Iterable[Mapping[str, Any]]) -> Any:
    return (
        Interval(date.fromisoformat(row["from"]), date.fromisoformat(row["to"])) for row in rows
    )


def _ends(built: Interval) -> dict[str, str]:
    return {"from": built.start.isoformat(), "to": built.end.isoformat()}


def _text(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
