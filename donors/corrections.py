"""Correcting what stands on record of a machine's plate, for donors and jobs alike.

What was wrong is read again as at the intake: recognition follows the new text, and what a
person had confirmed of another text counts no longer.
"""

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from donors import build_readings, plates
from donors.build_readings import CodeAsked
from donors.catalogue import Catalogue
from donors.change_models import MOST_WORDS, ChangeColumns
from donors.domain import build_reading
from donors.domain.build_reading import Known
from donors.plates import Plate
from workshop.errors import InputRefused
from workshop.models import Member

# A field of a plate, its column, and what people call it.
PLATE = {
    "appliance": ("appliance_id", "appliance"),
    "make": ("make_as_read", "make as read"),
    "model_number": ("model_number", "model number as read"),
    "serial_number": ("serial_number", "serial number"),
    "built_from": ("built_from", "built from"),
    "built_to": ("built_to", "built to"),
    "build_known": ("build_known", "how the build date is known"),
}
_IDENTITY = ("appliance", "make", "model_number")
_DATED = ("built_from", "built_to", "build_known")
Changed = tuple[str, Any, Any]  # what in words, before, after


def set_plate(
    row: Any,
    changes: Mapping[str, Any],
    *,
    day: date,
    catalogue: Catalogue | None = None,
    may_be_blank: bool = False,
    confirm_mismatch: bool = False,
) -> list[Changed]:
    """Set what of a plate is changed, on the row, not saved. Returns what differs from before.

    changes: by the names of PLATE; what is left out stays. day: when the machine came in.
    Raises InputRefused as plates.columns does; nothing is set then.
    """
    stored = {name: getattr(row, column) for name, (column, _) in PLATE.items()}
    wanted = stored | {
        name: value.strip() if isinstance(value, str) else value
        for name, value in changes.items()
        if name in PLATE
    }
    if wanted["built_from"] is None and wanted["built_to"] is None:
        wanted["build_known"] = ""
    differs = {name for name in PLATE if wanted[name] != stored[name]}
    if not differs:
        return []
    plate = Plate(**wanted)
    values, _ = plates.columns(
        catalogue or Catalogue.load(row.workshop_id),
        plate,
        appliances=plates.appliance_slugs(),
        may_be_blank=may_be_blank,
        ask_mismatch=not confirm_mismatch,
    )
    _set_identity(row, values, differs)
    _set_dates(row, wanted, differs)
    row.serial_number = values["serial_number"]
    if "serial_number" in differs and not differs & {*_DATED}:
        _read_serial_again(row, day)
    return [(PLATE[name][1], stored[name], wanted[name]) for name in PLATE if name in differs]


def _set_identity(row: Any, values: Mapping[str, Any], differs: set[str]) -> None:
    """Set what the machine is taken for where its text is another one."""
    if not differs & {*_IDENTITY}:
        return
    names = {*plates.RECOGNISED, "appliance_id", "make_as_read", "model_number"}
    for name in names:
        setattr(row, name, values[name])
    row.confirmed = False


def _set_dates(row: Any, wanted: Mapping[str, Any], differs: set[str]) -> None:
    """Set the build date a person states; what a code had said stays beside it."""
    ends = {"built_from", "built_to"} & differs
    if not differs & {*_DATED}:
        return
    row.built_from, row.built_to = wanted["built_from"], wanted["built_to"]
    known = wanted["build_known"]
    if ends and "build_known" not in differs and known in build_readings.FROM_A_CODE:
        known = ""  # the code did not say this
    row.build_known = known


def _read_serial_again(row: Any, day: date) -> None:
    """A build date read from a serial number that was wrong is read from the right one."""
    before = build_reading.from_json(row.build_reading)
    if before is None or before.known != Known.SERIAL:
        return
    asked = CodeAsked(scheme=before.scheme.name, in_serial=True, clues=before.clues)
    try:
        build_readings.read_again(row, asked, day=day)
    except InputRefused:
        row.build_reading = {}
        if row.build_known == Known.SERIAL:
            row.built_from = row.built_to = None
            row.build_known = ""


def record(
    model: type[ChangeColumns],
    changed: Iterable[Changed],
    *,
    member: Member | None,
    now: datetime,
    why: str = "",
    **of: Any,
) -> list[ChangeColumns]:
    """Store a line for each change, in the order given. of: whose, as columns of `model`.

    why: in a person's words, of which MOST_WORDS characters are kept.
    """
    same = {"why": why.strip()[:MOST_WORDS], "by": member, "at": now, **of}
    rows = [
        model(what=what, before=_told(before), after=_told(after), **same)
        for what, before, after in changed
    ]
    found: list[ChangeColumns] = model.objects.bulk_create(rows)
    return found


def _told(value: Any) -> str:
    return "" if value is None else str(value)
