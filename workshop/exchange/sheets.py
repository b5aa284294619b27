"""The kinds of exchange file. Each app registers its own; import and export find them here."""

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, ClassVar

from django.db import transaction

from workshop.errors import DomainError, InputRefused
from workshop.exchange.cells import armour
from workshop.exchange.reading import Column, FileRefused, Row, read_file, refuse_if_bad
from workshop.models import Workshop


@dataclass(frozen=True)
class Imported:
    """What an import did: rows read, added, changed, already there as they are.

    unsure: references of machines whose model number is not known exactly.
    """

    rows: int = 0
    added: int = 0
    changed: int = 0
    same: int = 0
    unsure: tuple[str, ...] = ()

    def __str__(self) -> str:
        done = (
            f"{self.rows} rows: {self.added} added, {self.changed} changed, {self.same} as before"
        )
        if not self.unsure:
            return done
        some = ", ".join(self.unsure[:5]) + (" ..." if len(self.unsure) > 5 else "")
        return (
            f"{done}\n{len(self.unsure)} model numbers are not known exactly ({some}); they are "
            "kept as read, and their pages show what they may be."
        )


class Sheet:
    """One kind of exchange file. Subclasses fill in `columns`, `load` and `dump`.

    `load` notes what is wrong on the rows (row.refuse) and, when nothing is, writes them;
    it runs inside one transaction. `dump` yields one mapping of text a row.
    """

    kind: ClassVar[str]
    columns: ClassVar[Sequence[Column]]
    importable: ClassVar[bool] = True
    most_rows: ClassVar[int] = 5_000  # of an upload, by measured time: docs/exchange.md
    # Of files that can be undone: the model of the rows they add, "app.Model".
    adds: ClassVar[str] = ""
    # Why a file of this kind cannot be undone, when nothing is named in `adds`.
    stays: ClassVar[str] = "what such a file says counts at once in what fits; put it right by hand"

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        raise NotImplementedError

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        raise NotImplementedError

    def take_along(self, workshop: Workshop, ids: Sequence[Any]) -> None:
        """Before rows a file added are taken back: take what names them without a reference to
        them, and announce that they go."""

    def key(self, row: Row) -> Mapping[str, str] | None:
        """Return how the row that a row of the file is about is found in `adds`: field = value."""
        raise NotImplementedError

    def keys(self, workshop: Workshop, rows: Iterable[Row]) -> list[Mapping[str, str]]:
        """Return the keys of the rows that have one."""
        return [key for key in map(self.key, rows) if key]


_sheets: dict[str, Sheet] = {}


def register(sheet: Sheet) -> Sheet:
    """Make a kind of file known to import_csv and export_csv."""
    _sheets[sheet.kind] = sheet
    return sheet


def kinds() -> list[str]:
    return sorted(_sheets)


def get_sheet(kind: str) -> Sheet:
    """Return the kind of file or raise InputRefused naming those there are."""
    if kind not in _sheets:
        raise InputRefused(f"There is no file kind {kind!r}. Known kinds: {', '.join(kinds())}.")
    return _sheets[kind]


class _RolledBack(Exception):
    """Leaves a dry run without keeping anything."""


def import_file(
    kind: str, path: Path, *, workshop: Workshop, at: datetime, dry_run: bool = False
) -> Imported:
    """Import a file, all of it or nothing. A dry run is the same code, rolled back.

    Raises FileRefused with every bad cell, InputRefused for an unknown kind.
    """
    sheet = get_sheet(kind)
    if not sheet.importable:
        raise InputRefused(f"{kind} files are written by export_csv only; they cannot be imported.")
    rows = read_file(path, sheet.columns)
    return load_rows(sheet, rows, workshop=workshop, at=at, dry_run=dry_run, name=path.name)


def load_rows(
    sheet: Sheet, rows: list[Row], *, workshop: Workshop, at: datetime, dry_run: bool, name: str
) -> Imported:
    """Store rows, all of them or none. A dry run is the same code, rolled back.

    Raises FileRefused with every bad cell.
    """
    if any(row.problems for row in rows):
        raise _all_that_is_wrong(sheet, rows, workshop=workshop, at=at, name=name)
    done = Imported()
    try:
        with transaction.atomic():
            done = sheet.load(workshop, rows, at=at)
            refuse_if_bad(rows, name)
            if dry_run:
                raise _RolledBack
    except _RolledBack:
        pass
    return done


def _all_that_is_wrong(
    sheet: Sheet, rows: list[Row], *, workshop: Workshop, at: datetime, name: str
) -> FileRefused:
    """Return the refusal of a file with bad cells, with what is wrong in its other rows too."""
    good = [row for row in rows if not row.problems]
    try:
        with transaction.atomic():
            sheet.load(workshop, good, at=at)
            raise _RolledBack
    except (_RolledBack, DomainError):
        pass
    return FileRefused(name, [problem for row in rows for problem in row.problems])


def export_text(kind: str, *, workshop: Workshop) -> Iterator[str]:
    """Yield the lines of an exchange file, header first."""
    sheet = get_sheet(kind)
    header = [column.name for column in sheet.columns]
    yield _line(header)
    for values in sheet.dump(workshop):
        yield _line([armour(values.get(column, "")) for column in header])


def export_file(kind: str, path: Path, *, workshop: Workshop) -> int:
    """Write an exchange file; returns the number of rows."""
    count = -1
    with path.open("w", encoding="utf-8", newline="") as out:
        for line in export_text(kind, workshop=workshop):
            out.write(line)
            count += 1
    return count


def _line(cells: Sequence[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(cells)
    return out.getvalue()


def refuse(row: Row, error: DomainError, **renamed: str) -> None:
    """Note a refusal on the cells it names; fields called otherwise in the file are renamed."""
    for name, message in error.fields.items():
        column = renamed.get(name, name)
        row.refuse(column if column in row.values else "", message)
    if not error.fields:
        row.refuse("", error.message)


def fill_blanks(row: Row, stored: Mapping[str, Any]) -> None:
    """Take what is stored for cells left blank: blank means unknown, so it erases nothing."""
    for name, value in stored.items():
        if row.values.get(name) is None and value not in (None, ""):
            row.values[name] = value


def set_values(row: Any, values: Mapping[str, Any]) -> bool:
    """Set the values on a model row; returns whether anything changed."""
    changed = {name for name, value in values.items() if getattr(row, name) != value}
    for name in changed:
        setattr(row, name, values[name])
    return bool(changed)


def count(
    rows: Sequence[Row], added: int, changed: int, *, machines: Iterable[Any] = ()
) -> Imported:
    """Return the tally of an import: what was neither added nor changed was there already.

    machines: the donors or jobs written, to name those not recognised exactly.
    """
    unsure = [m.ref for m in machines if m.model_number and m.recognised_id is None]
    same = len(rows) - added - changed
    return Imported(len(rows), added, changed, same, tuple(sorted(unsure)))


def shown(value: Any) -> str:
    """Return a value as a cell: blank for unknown, ISO for dates."""
    if value is None:
        return ""
    if hasattr(value, "isoformat"):
        return str(value.isoformat())
    return str(value)
