"""A table as somebody uploads it, CSV or XLSX, as text cells with the rows' own numbers.

Nothing is guessed and nothing dropped: what cannot be read as text without doubt is a problem
named by row and column. Sizes are counted while inflating, not believed.
"""

import csv
import io
import posixpath
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from datetime import time as clock
from typing import Any
from xml.etree import ElementTree

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from workshop.exchange.cells import LONGEST_CELL
from workshop.exchange.reading import FileRefused, Problem

MOST_BYTES = 20 * 2**20
MOST_INFLATED = 50 * 2**20  # of all a workbook's files together
MOST_FILES = 500
MOST_ROWS = 5_000  # a task of the dispatcher may take 30 s, and a donor brings its parts
MOST_COLUMNS = 100
MOST_DIGITS = 15  # of a number cell: a spreadsheet keeps no more
SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_PAGE = 64 * 1024
MOST_TEXT = 20 * 2**20  # characters of all cells together: a text may stand in many of them
MOST_BAD_CELLS = 20_000  # also such as stand in columns nobody asks for
# Of a workbook's files: tags there may be, for what is read row by row or text by text; all else
# is read whole. And bytes from the end of one row or text to the end of the next. As many rows
# and columns as are read at most, each cell with a formula or its own text (six tags), fit in.
WORKSHEET, TEXTS = "worksheet", "sharedStrings"
MOST_TAGS = {WORKSHEET: 6 * MOST_ROWS * MOST_COLUMNS, TEXTS: 2_000_000}
FEW_TAGS = 200_000
LONGEST_ROW = 2**20
MOST_ENDS = {WORKSHEET: 200_000, TEXTS: 500_000}
_ENDS = re.compile(rb"</(?:\w+:)?(?:row|si)>|<(?:\w+:)?(?:row|si)/>")
# Begins so: XML in two bytes a character, where no tag is found by its bytes.
_WIDE = re.compile(rb"\xff\xfe|\xfe\xff|[<\s]\x00|\x00[<\s]")
_TYPES = "[Content_Types].xml"


@dataclass(frozen=True)
class Table:
    """header: the first row; rows: (number as a spreadsheet counts, cells). notes: of how it
    was read. problems: cells that are no plain text."""

    header: list[str]
    rows: list[tuple[int, list[str]]]
    notes: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def to_json(self) -> dict[str, Any]:
        problems = [
            [one.row, one.column, one.found, one.message, one.place] for one in self.problems
        ]
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
        raise _refused(name, "holds bytes no text has; save it as 'CSV UTF-8' or .xlsx", row)
    separator = _separator(text)
    csv.field_size_limit(MOST_BYTES)
    found = []
    number = 0
    try:
        reader = csv.reader(_lines(text, name), delimiter=separator, strict=True)
        for number, cells in enumerate(reader, start=1):
            if size := _width(cells):
                _check_width(size, name, number)
                found.append((number, cells[: max(size, min(len(cells), MOST_COLUMNS))]))
            if len(found) > MOST_ROWS + 1:
                raise _refused(name, f"has more than {MOST_ROWS} rows; split it")
    except csv.Error as bad:
        raise _refused(name, f"is no CSV: {bad} (a quote left open?)", number + 1) from bad
    notes = [f"Read as text separated by {SEPARATORS[separator]}."]
    return _table(found, notes)


def _lines(text: str, name: str) -> Iterator[str]:
    for number, line in enumerate(io.StringIO(text, newline=""), start=1):
        if len(line) > MOST_COLUMNS * LONGEST_CELL:
            raise _refused(name, f"has a line of {len(line)} characters", number)
        yield line


def _check_width(size: int, name: str, row: int) -> None:
    if size > MOST_COLUMNS:
        raise _refused(name, f"has {size} columns; at most {MOST_COLUMNS} are read", row)


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
    lines = io.StringIO(text[: 2 * MOST_COLUMNS * LONGEST_CELL], newline="")
    first = next((line for line in lines if line.strip()), "")
    bare = re.sub(r'"[^"]*"', "", first)
    return max(SEPARATORS, key=bare.count)


def _table(found: list[tuple[int, list[str]]], notes: list[str]) -> Table:
    if not found:
        return Table([], [], notes)
    header = [cell.strip() for cell in found[0][1]]
    widths = [_width(cells) for _, cells in found]
    # Without the blank columns a separator on every line leaves behind.
    size = max(widths[0], min(len(header), max(widths)))
    rows = [
        (number, cells[:size] if width <= size < len(cells) else cells)
        for (number, cells), width in zip(found[1:], widths[1:], strict=True)
    ]
    return Table(header[:size], rows, notes)


def _width(cells: Sequence[str]) -> int:
    """Return how many cells there are without the blank ones at the end."""
    size = len(cells)
    while size and not cells[size - 1].strip():
        size -= 1
    return size


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
        said = [one for one in files if _says_what_is_what(one)]
        for one in said:
            size += _look_at(book, one, "", MOST_INFLATED - size, name)
        parts = _large_parts(book)
        for one in files:
            if one.filename.lower().endswith((".zip", ".xlsx", ".xlsm", "vbaproject.bin")):
                raise _refused(name, "holds programs or other files; save it as a plain .xlsx")
            if not _says_what_is_what(one):
                part = parts.get(one.filename, "")
                size += _look_at(book, one, part, MOST_INFLATED - size, name)
    except (
        zipfile.BadZipFile,
        ElementTree.ParseError,
        NotImplementedError,
        RuntimeError,
        EOFError,
        OSError,
    ) as bad:
        raise _refused(name, "is damaged, locked or no workbook") from bad


def _says_what_is_what(one: zipfile.ZipInfo) -> bool:
    return one.filename == _TYPES or one.filename.lower().endswith(".rels")


def _large_parts(book: zipfile.ZipFile) -> dict[str, str]:
    """Return the files that are worksheets or the shared texts, and nothing else besides.

    By what the workbook says of them and refers to them as, not by their names: whatever it says
    is something else, or is told of twice, may be read whole.
    """
    if _TYPES not in book.namelist():
        return {}
    told: dict[str, set[str]] = {}
    for one in ElementTree.fromstring(book.read(_TYPES)):
        kind = one.get("ContentType", "").removesuffix("+xml").rpartition(".")[2]
        told.setdefault(one.get("PartName", "").lstrip("/"), set()).add(kind)
    for path in {one for one in book.namelist() if one.lower().endswith(".rels")}:
        folder = posixpath.dirname(posixpath.dirname(path))
        for one in ElementTree.fromstring(book.read(path)):
            target = posixpath.normpath(posixpath.join("/", folder, one.get("Target", "")))
            told.setdefault(target.lstrip("/"), set()).add(one.get("Type", "").rpartition("/")[2])
    fixed = {"xl/styles.xml", "xl/workbook.xml", "xl/theme/theme1.xml"}
    return {
        path: next(iter(kinds))
        for path, kinds in told.items()
        if len(kinds) == 1 and kinds <= set(MOST_TAGS) and path not in fixed
        if not path.startswith("docProps/")
    }


def _look_at(book: zipfile.ZipFile, one: zipfile.ZipInfo, part: str, most: int, name: str) -> int:
    """Return the size of a file, counted while inflating. Raises FileRefused.

    part: a key of MOST_TAGS, or blank. Rows and texts are read one after the other, so each must
    be small; all else is read whole. Any file may be read as XML, whatever its name.
    """
    is_xml = one.filename.lower().endswith((".xml", ".rels", ".vml"))
    size = tags = ended = stretch = 0
    tail = b""
    with book.open(one) as file:
        while page := file.read(_PAGE):
            if size == 0 and _WIDE.match(page):
                raise _refused(name, "is written in a way spreadsheets do not; save it anew")
            size += len(page)
            if size > most:
                raise _refused(name, f"holds more than {MOST_INFLATED // 2**20} MB once unpacked")
            seen = tail + page
            if b"<!DOCTYPE" in seen or b"<!ENTITY" in seen or (is_xml and b"\x00" in page):
                raise _refused(name, "holds what no table needs; save it anew as .xlsx")
            ends = [found.end() for found in _ENDS.finditer(seen)] if part else []
            stretch = len(seen) - ends[-1] if ends else stretch + len(page)
            tags, ended = tags + page.count(b"<"), ended + len(ends)
            if tags > MOST_TAGS.get(part, FEW_TAGS) or (
                part and (ended > MOST_ENDS[part] or stretch > LONGEST_ROW)
            ):
                most_read = f"{MOST_ROWS} rows of {MOST_COLUMNS} columns" if part else "a table"
                raise _refused(name, f"holds more than {most_read}; save the table alone")
            tail = page[-16:]
    return size


def _sheet(sheet: Any, notes: list[str], name: str) -> Table:
    sheet.reset_dimensions()  # what it says of its own size is not believed
    found: list[tuple[int, list[str]]] = []
    problems: list[Problem] = []
    length = 0
    for number, cells in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS + 1), start=1):
        if number > 10 * MOST_ROWS:
            raise _refused(name, "has too many blank rows; delete them")
        row, bad = _cells_of(cells, number)
        if bad and not found:  # names nobody can match
            raise FileRefused(name, bad)
        problems += bad
        if size := _width(row):
            _check_width(size, name, number)
        if size or bad:
            found.append((number, row))
        length += sum(map(len, row))
        if len(found) > MOST_ROWS + 1:
            raise _refused(name, f"has more than {MOST_ROWS} rows; split it")
        if length > MOST_TEXT:
            raise _refused(name, f"holds more than {MOST_TEXT // 2**20} million characters")
        if len(problems) > MOST_BAD_CELLS:
            raise FileRefused(name, _named(problems, found[0][1]))
    wide = max(
        [*(_width(row) for _, row in found), *((one.place or 0) + 1 for one in problems)], default=0
    )
    table = _table(
        [(number, [*row, *[""] * (wide - len(row))][:wide]) for number, row in found], notes
    )
    if any((one.place or 0) >= len(table.header) for one in problems):  # beside the table
        wider = [*table.header, *[""] * (wide - len(table.header))]
        rows = [(number, [*row, *[""] * (wide - len(row))]) for number, row in table.rows]
        table = Table(wider, rows, notes)
    return Table(table.header, table.rows, notes, _named(problems, table.header))


def _cells_of(cells: Sequence[Any], number: int) -> tuple[list[str], list[Problem]]:
    """Return a row's cells as text, what is no plain text blank and named."""
    row: list[str] = []
    problems = []
    for place, cell in enumerate(cells):
        try:
            row.append(_text_of(cell))
        except ValueError as bad:
            where = f"column {place + 1}"
            problems.append(Problem(number, where, str(cell.value)[:60], str(bad), place))
            row.append("")
    return row, problems


def _named(problems: list[Problem], header: list[str]) -> list[Problem]:
    """Return problems with their columns called as the header calls them."""
    names = dict(enumerate(name.strip() for name in header))
    return [replace(one, column=names.get(one.place or 0) or one.column) for one in problems]


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
        if len(value) > LONGEST_CELL:
            raise ValueError(f"has {len(value)} characters; at most {LONGEST_CELL} are read")
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


_LITERAL = re.compile(r'"([^"]*)"|\\(.)|\[\$([^\]-]*)[^\]]*\]')
_MASK = re.compile(r"[0?][^0#?.,E]+[0#?]|^[^0#?.]*0[0,]+(?=\.|0|$)|%")


def _shows_more(shape: str) -> bool:
    """Return True when a number's format shows other digits or letters than its value has.

    Office Open XML number formats (ISO/IEC 29500-1, 18.8.30): "D-"0000, 000-000, 00.0, 0%.
    """
    first = re.sub(r"_.|\*.", "", shape.split(";")[0])
    literals = ["".join(found) for found in _LITERAL.findall(first)]
    bare = re.sub(
        r"\[[^\]]*\]", "", _LITERAL.sub(lambda m: "".join(filter(None, m.groups())), first)
    )
    masked = re.sub(r"\[[^\]]*\]", "", _LITERAL.sub("~", first))
    if _MASK.search(masked):
        return True
    is_amount = "." in bare or "," in bare
    return not is_amount and any(c.isalnum() for text in literals for c in text)


def _number_of(value: int | float, shape: str) -> str:
    if not re.fullmatch(r"0+", shape) and _shows_more(shape):
        raise ValueError(f"is shown otherwise than it is kept ({shape[:30]}); store it as text")
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
