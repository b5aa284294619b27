"""Build-date codes of machines: read, kept with their candidates, and what they set.

A date that stands printed on a plate, or that somebody stated, is never overwritten by a code:
it cuts the code's candidates, and a contradiction is refused until a person says to replace it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from donors.domain import build_reading
from donors.domain.build_dates import Bound, Scheme
from donors.domain.build_reading import Clues, Known, Reading
from donors.models import Make, ModelNumber
from workshop import days, reference
from workshop.domain.intervals import Interval, from_ends
from workshop.domain.refusals import ValueRefused
from workshop.errors import Conflict, InputRefused

# Names of what is refused in the domain, as forms and the API have them.
FIELDS = {"code": "build_code", "scheme": "build_scheme"}
COLUMNS = ("built_from", "built_to", "build_known", "build_reading")
# How codes may be written: names and words.
SCHEMES = [(scheme.name, scheme.value) for scheme in Scheme]
FROM_A_CODE = (Known.CODED, Known.SERIAL)


@dataclass(frozen=True, slots=True)
class CodeAsked:
    """A code to read. scheme: a name of Scheme; blank means as the make writes it.

    in_serial: the code is taken from the serial number, where the make has it.
    """

    code: str = ""
    scheme: str = ""
    in_serial: bool = False
    clues: Clues = field(default_factory=Clues)

    @property
    def says_something(self) -> bool:
        return bool(self.code.strip()) or self.in_serial


def eras_of(appliance: str) -> dict[str, Mapping[str, Any]]:
    """Return the rows of build_eras.json that speak of an appliance, by slug.

    A blank appliance is not known: all of them.
    """
    rows = reference.read("build_eras")
    return {r["slug"]: r for r in rows if not appliance or appliance in r["appliances"]}


def read_code(
    asked: CodeAsked,
    *,
    make: Make | None,
    serial_number: str,
    appliance: str,
    until: date,
    received_on: date | None = None,
    stated: Interval | None = None,
    model_id: int | None = None,
) -> Reading:
    """Return what a code may mean.

    stated: a date somebody stated already, which cuts it too; model_id: the known model it is,
    whose last day on the market does. Raises InputRefused by field.
    """
    clues = asked.clues
    days.refuse_implausible(receipt_on=clues.receipt_on, part_made_on=clues.part_made_on)
    scheme = _scheme(asked, make)
    try:
        code, known = asked.code, Known.CODED
        if asked.in_serial:
            code = build_reading.code_in_serial(serial_number, scheme, _start(make))
            known = Known.SERIAL
        return build_reading.read_code(
            code,
            scheme,
            known=known,
            until=until,
            received_on=received_on,
            clues=clues,
            eras=eras_of(appliance),
            also=[*_on_record(stated), *_last_sold(make, model_id)],
        )
    except ValueRefused as refused:
        raise _refused(refused) from refused


def _on_record(stated: Interval | None) -> list[Bound]:
    return [Bound("the date on record", stated.start, stated.end)] if stated else []


def _last_sold(make: Make | None, model_id: int | None) -> list[Bound]:
    """A machine was built before the last of its model was placed on the market."""
    if make is None or model_id is None:
        return []
    day = (
        ModelNumber.of(make.workshop_id).filter(pk=model_id).values_list("last_sold_to", flat=True)
    )
    return [Bound(f"model last sold {end}", not_after=end) for end in day if end]


def _scheme(asked: CodeAsked, make: Make | None) -> Scheme:
    name = asked.scheme or (make.date_code if make else "")
    if name in Scheme.__members__:
        return Scheme[name]
    why = f"{name!r} is no way to write a code" if name else "say how the code is written"
    raise InputRefused(
        f"The build code cannot be read: {why}.",
        fields={"build_scheme": f"{why.capitalize()}: the make has no shape on record."},
    )


def _start(make: Make | None) -> int:
    if make is None or make.date_code_start is None:
        raise ValueRefused(
            {"in_serial": "it is not on record where this make's serial numbers hold the date"}
        )
    return make.date_code_start


def _refused(refused: ValueRefused) -> InputRefused:
    fields = {FIELDS.get(name, name): f"{why}." for name, why in refused.fields.items()}
    said = "; ".join(refused.fields.values())
    return InputRefused(f"The build date cannot be read: {said}.", fields=fields)


def stated_interval(row: Any) -> Interval | None:
    """Return the build interval somebody stated; None when there is none, or a code gave it."""
    if row.build_known in FROM_A_CODE:
        return None
    return from_ends(row.built_from, row.built_to)


def build_columns(reading: Reading, stated: Interval | None) -> dict[str, Any]:
    """Return the columns a reading sets. A stated date stays as it is."""
    columns: dict[str, Any] = {"build_reading": build_reading.to_json(reading)}
    if stated is None:
        built = reading.settled
        columns |= {
            "built_from": built.start if built else None,
            "built_to": built.end if built else None,
            "build_known": reading.known if built else "",
        }
    return columns


def read_again(row: Any, asked: CodeAsked, *, day: date, replace: bool = False) -> None:
    """Set what a machine's code says, on the row, not saved. day: when it came in.

    A candidate chosen before stays chosen while it is left. replace: a stated date gives way.
    Raises InputRefused by field.
    """
    stated = None if replace else stated_interval(row)
    reading = read_code(
        asked,
        make=row.make,
        serial_number=row.serial_number,
        appliance=row.appliance_id,
        until=day,
        received_on=day,
        stated=stated,
        model_id=row.recognised_id,
    )
    before = build_reading.from_json(row.build_reading)
    _set(row, reading.kept_choice(before), stated)


def choose(row: Any, start: date) -> None:
    """Set the candidate that begins on `start` as the build date, on the row, not saved.

    Raises Conflict when no code was read or a date is stated, InputRefused for no candidate.
    """
    reading = build_reading.from_json(row.build_reading)
    if reading is None:
        raise Conflict(f"No build code of {row.ref} is on record.")
    if stated_interval(row) is not None:
        raise Conflict(f"{row.ref} has a build date on record that is not from its code.")
    try:
        chosen = reading.choose(start)
    except ValueRefused as refused:
        raise InputRefused(f"That is none of them: {refused}.", fields=refused.fields) from refused
    _set(row, chosen, None)


def _set(row: Any, reading: Reading, stated: Interval | None) -> None:
    for name, value in build_columns(reading, stated).items():
        setattr(row, name, value)


def decode(
    asked: CodeAsked,
    *,
    make: Make | None,
    serial_number: str,
    appliance: str,
    today: date,
    received_on: date | None,
) -> Reading:
    """Return what a code may mean, for somebody who only asks. Raises InputRefused by field."""
    days.refuse_implausible(received_on=received_on)
    return read_code(
        asked,
        make=make,
        serial_number=serial_number,
        appliance=appliance,
        until=received_on or today,
        received_on=received_on,
    )
