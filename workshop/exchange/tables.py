"""A table as somebody uploads it, CSV or XLSX, as text cells with the rows' own numbers.

Nothing is guessed and nothing dropped: what cannot be read as text without doubt is a problem
named by row and column. Sizes are counted while inflating, not believed.
"""

import csv
import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from datetime import time as clock
from typing import Any

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from workshop.exchange.reading import FileRefused, Problem

MOST_BYTES = 20 * 2**20
MOST_INFLATED = 50 * 2**20  # of all a workbook's files together
MOST_FILES = 500
MOST_ROWS = 5_000  # a task of the dispatcher may take 30 s, and a donor brings its parts
MOST_COLUMNS = 100
MOST_DIGITS = 15  # of a number cell: a spreadsheet keeps no more
SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_PAGE = 64 * 1024
# Of a workbook's files: tags there may be, for what is read row by row or text by text; all else
# is read whole. And bytes from the end of one row or text to the end of the next.
MOST_TAGS = {"worksheets/": 3_000_000, "sharedstrings": 2_000_000}
FEW_TAGS = 200_000
LONGEST_ROW = 2**20
MOST_ENDS = {"worksheets/": 200_000, "sharedstrings": 500_000}
_ENDS = re.compile(rb"</(?:\w+:)?(?:row|si)>|<(?:\w+:)?(?:row|si)/>")


@dataclass(frozen=True)
class Table:
    """header: the first row; rows: (number as a spreadsheet counts, cells). notes: of how it
    was read. problems: cells that are no plain text."""

    header: list[str]
    rows: list[tuple[int, list[str]]]
    notes: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def to_json(self) -> dict[str, Any]:
        problems = [[one.row, one.column, one.found, one.message] for one in self.problems]
        rows = [[number, *cells] for number, cells in self.rows]
        return {"header": self.header, "rows": rows, "notes": self.notes, "problems": problems}

    @classmethod
    def from_json(cls, kept: dict[str, Any]) -> "Table":
        rows = [(row[0], row[1:]) for row in kept["rows"]]
        problems = [Problem(*one) for one in kept["problems"]]
        return cls(kept["header"], rows, kept["notes"], problems)


def read_table(raw: bytes, *, name: str) -> Table:
    """Return the table of an uploaded file. Raises FileRefused."""
    if len(raw) > MOST_BYTES:
        raise _refused(name, f"the file is over {MOST_BYTES // 2**20} MB; split it")
    if raw[:4] == b"PK\x03\x04":
        table = _workbook(raw, name)
    elif raw[:4] == b"\xd0\xcf\x11\xe0":
        raise _refused(name, "is an old or locked spreadsheet; save it as .xlsx or CSV")
    else:
        table = _csv(raw, name)
    if not table.header:
        raise _refused(name, "the file is empty")
    if len(table.header) > MOST_COLUMNS:
        raise _refused(name, f"has {len(table.header)} columns; at most {MOST_COLUMNS} are read")
    return table


def _refused(name: str, message: str, row: int = 0) -> FileRefused:
    return FileRefused(name, [Problem(row, "", "", message)])


# CSV


def _csv(raw: bytes, name: str) -> Table:
    text = _decoded(raw, name)
    if "\x00" in text:
        row = text[: text.index("\x00")].count("\n") + 1
        raise _refused(name, "holds a NUL character", row)
    separator = _separator(text)
    csv.field_size_limit(MOST_BYTES)
    found = []
    number = 0
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        for number, cells in enumerate(reader, start=1):
            if any(cell.strip() for cell in cells):
                found.append((number, cells))
            if len(found) > MOST_ROWS + 1:
                raise _refused(name, f"has more than {MOST_ROWS} rows; split it")
    except csv.Error as bad:
        raise _refused(name, f"is no CSV: {bad} (a quote left open?)", number + 1) from bad
    notes = [f"Read as text separated by {SEPARATORS[separator]}."]
    return _table(found, notes)


def _decoded(raw: bytes, name: str) -> str:
    """Return the text: UTF-8, or UTF-16 that says so. Another encoding is not guessed."""
    coding = "utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        return raw.decode(coding)
    except UnicodeDecodeError as bad:
        row = raw[: bad.start].count(b"\n") + 1
        message = f"not {coding[:6].upper()} at byte {bad.start}; save it as 'CSV UTF-8' or .xlsx"
        raise _refused(name, message, row) from bad


def _separator(text: str) -> str:
    """Return what separates the header's cells: what stands most often outside quotes there."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    bare = re.sub(r'"[^"]*"', "", first)
    return max(SEPARATORS, key=bare.count)


def _table(found: list[tuple[int, list[str]]], notes: list[str]) -> Table:
    if not found:
        return Table([], [], notes)
    header = [cell.strip() for cell in found[0][1]]
    while header and not header[-1] and all(_blank_from(row, len(header)) for _, row in found[1:]):
        header.pop()  # a trailing separator on every line
    rows = [(number, _cut(cells, len(header))) for number, cells in found[1:]]
    return Table(header, rows, notes)


def _blank_from(cells: list[str], size: int) -> bool:
    return not any(cell.strip() for cell in cells[size - 1 :])


def _cut(cells: list[str], size: int) -> list[str]:
    """Return the cells without blank ones behind the last column."""
    return cells[:size] if len(cells) > size and _blank_from(cells, size + 1) else cells


# XLSX


def _workbook(raw: bytes, name: str) -> Table:
    _look_inside(raw, name)
    try:
        book = load_workbook(io.BytesIO(raw), read_only=True, data_only=False, keep_links=False)
        sheets = [one for one in book.worksheets if one.sheet_state == "visible"]
        if not sheets:
            raise _refused(name, "holds no visible sheet")
        notes = [f"Read from the sheet {sheets[0].title!r}."]
        if len(sheets) > 1:
            others = ", ".join(repr(one.title) for one in sheets[1:6])
            notes.append(f"Not read, for only the first sheet is: {others}.")
        return _sheet(sheets[0], notes, name)
    except FileRefused:
        raise
    except (InvalidFileException, KeyError, ValueError, TypeError, AttributeError) as bad:
        raise _refused(name, "is no workbook that can be read; save it anew as .xlsx") from bad
    except Exception as bad:  # whatever a parser raises on somebody's bytes
        raise _refused(name, "cannot be read: damaged, or not as .xlsx files are made") from bad


def _look_inside(raw: bytes, name: str) -> None:
    """Refuse what is too large once inflated, or holds what no table needs.

    Office Open XML is ISO/IEC 29500; its files have no document types, so one is an attack.
    """
    try:
        book = zipfile.ZipFile(io.BytesIO(raw))
        files = book.infolist()
        if len(files) > MOST_FILES or sum(one.file_size for one in files) > MOST_INFLATED:
            raise _refused(name, f"holds more than {MOST_INFLATED // 2**20} MB once unpacked")
        size = 0
        for one in files:
            if one.filename.lower().endswith((".zip", ".xlsx", ".xlsm", "vbaproject.bin")):
                raise _refused(name, "holds programs or other files; save it as a plain .xlsx")
            size += _look_at(book, one, MOST_INFLATED - size, name)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError) as bad:
        raise _refused(name, "is damaged, locked or no workbook") from bad


def _look_at(book: zipfile.ZipFile, one: zipfile.ZipInfo, most: int, name: str) -> int:
    """Return the size of a file, counted while inflating. Raises FileRefused.

    Rows and texts are read one after the other, so each must be small; all else is read whole.
    """
    path = one.filename.lower()
    is_xml = path.endswith((".xml", ".rels"))
    part = next((part for part in MOST_TAGS if part in path), "")
    size = tags = ended = stretch = 0
    tail = b""
    with book.open(one) as file:
        while page := file.read(_PAGE):
            size += len(page)
            if size > most:
                raise _refused(name, f"holds more than {MOST_INFLATED // 2**20} MB once unpacked")
            seen = tail + page
            if b"<!DOCTYPE" in seen or b"<!ENTITY" in seen or (is_xml and b"\x00" in page):
                raise _refused(name, "holds a document type; save it anew as .xlsx")
            ends = [found.end() for found in _ENDS.finditer(seen)]
            stretch = len(seen) - ends[-1] if ends else stretch + len(page)
            tags, ended = tags + page.count(b"<"), ended + len(ends)
            if is_xml and (
                tags > MOST_TAGS.get(part, FEW_TAGS)
                or (part and (ended > MOST_ENDS[part] or stretch > LONGEST_ROW))
            ):
                raise _refused(name, "holds rows or cells without end; save the table alone")
            tail = page[-16:]
    return size


def _sheet(sheet: Any, notes: list[str], name: str) -> Table:
    sheet.reset_dimensions()  # what it says of its own size is not believed
    found: list[tuple[int, list[str]]] = []
    problems: list[Problem] = []
    for number, cells in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS + 1), start=1):
        if number > 10 * MOST_ROWS:
            raise _refused(name, "has too many blank rows; delete them")
        row = []
        for cell in cells:
            try:
                row.append(_text_of(cell))
            except ValueError as bad:
                column = found[0][1][len(row)] if found and len(row) < len(found[0][1]) else ""
                where = column.strip() or f"column {len(row) + 1}"
                problems.append(Problem(number, where, str(cell.value)[:60], str(bad)))
                row.append("")
        if any(text.strip() for text in row):
            found.append((number, row))
        if len(found) > MOST_ROWS + 1:
            raise _refused(name, f"has more than {MOST_ROWS} rows; split it")
    wide = max((len(_without_blanks(row)) for _, row in found), default=0)
    table = _table(
        [(number, [*row, *[""] * (wide - len(row))][:wide]) for number, row in found], notes
    )
    return Table(table.header, table.rows, notes, problems)


def _without_blanks(row: list[str]) -> list[str]:
    size = len(row)
    while size and not row[size - 1].strip():
        size -= 1
    return row[:size]


def _text_of(cell: Any) -> str:
    """Return a cell as it would stand in an exchange file. Raises ValueError."""
    value = cell.value
    if value is None:
        return ""
    if getattr(cell, "data_type", "") == "f" or (isinstance(value, str) and cell.data_type == "f"):
        raise ValueError("is a formula; paste its value instead")
    if getattr(cell, "data_type", "") == "e":
        raise ValueError("is a calculation's error")
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, (datetime, date)):
        return _day_of(value)
    if isinstance(value, (int, float)):
        return _number_of(value, str(cell.number_format or ""))
    raise ValueError("is neither text, number nor date")


def _day_of(value: datetime | date) -> str:
    if isinstance(value, datetime):
        if value.time() != clock(0):
            raise ValueError("holds a time of day; write the day alone")
        value = value.date()
    return value.isoformat()


def _number_of(value: int | float, shape: str) -> str:
    if isinstance(value, float) and not value.is_integer():
        text = repr(value)
        if "e" in text or len(re.sub(r"\D", "", text).lstrip("0")) > MOST_DIGITS:
            raise ValueError(
                "is a number with more digits than a spreadsheet keeps; store it as text"
            )
        return text
    whole = int(value)
    if abs(whole) >= 10**MOST_DIGITS:
        raise ValueError("is a number with more digits than a spreadsheet keeps; store it as text")
    if re.fullmatch(r"0{2,}", shape):  # shown with leading zeros
        return str(whole).zfill(len(shape))
    return str(whole)


# Columns


def match_columns(header: Sequence[str], wanted: Sequence[str]) -> dict[str, int]:
    """Return which column of a table holds each column of a sheet, by name, where that is clear.

    Case, spaces, hyphens and underscores do not matter. A name that stands twice is left to a
    person.
    """
    places: dict[str, list[int]] = {}
    for place, name in enumerate(header):
        places.setdefault(_plain(name), []).append(place)
    found = {name: places.get(_plain(name), []) for name in wanted}
    return {name: spots[0] for name, spots in found.items() if len(spots) == 1}


def _plain(name: str) -> str:
    return re.sub(r"[\s_\-]+", "", name).casefold()
