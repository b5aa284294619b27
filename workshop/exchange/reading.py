"""Read a CSV file strictly: nothing dropped, nothing guessed, every complaint with its row."""

import csv
import io
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from workshop.errors import DomainError
from workshop.exchange.cells import LONGEST_CELL, Parser, disarm

MOST_BYTES = 200 * 1024 * 1024
MOST_PROBLEMS = 50


@dataclass(frozen=True)
class Column:
    """One column: its name, what a cell may hold, whether blank (unknown) is allowed."""

    name: str
    parse: Parser
    required: bool = False


@dataclass(frozen=True)
class Problem:
    """One bad cell or row. `row` counts as a spreadsheet does: the header is row 1.

    place: of a cell of a table whose columns are yet to be matched, from 0.
    """

    row: int
    column: str
    found: str
    message: str
    place: int | None = None

    def __str__(self) -> str:
        where = f"row {self.row}, column {self.column}" if self.column else f"row {self.row}"
        shown = self.found if len(self.found) <= 60 else f"{self.found[:57]}..."
        return f"{where}: {shown!r} {self.message}" if self.column else f"{where}: {self.message}"


class FileRefused(DomainError):
    """The file was not imported; nothing was written."""

    code = "file-refused"

    def __init__(self, name: str, problems: Sequence[Problem]) -> None:
        self.problems = list(problems)
        shown = "\n".join(f"  {problem}" for problem in self.problems[:MOST_PROBLEMS])
        more = len(self.problems) - MOST_PROBLEMS
        tail = f"\n  and {more} more" if more > 0 else ""
        super().__init__(
            f"{name}: nothing was imported, {len(self.problems)} problem(s) found.\n{shown}{tail}"
        )


@dataclass
class Row:
    """One parsed row: `number` as a spreadsheet counts, values by column name, None = unknown."""

    number: int
    values: dict[str, Any]
    problems: list[Problem] = field(default_factory=list)

    def __getitem__(self, column: str) -> Any:
        return self.values[column]

    def refuse(self, column: str, message: str, found: object = None) -> None:
        """Note a problem found after parsing (an unknown make, a donor that is not there)."""
        shown = self.values.get(column) if found is None else found
        text = "" if shown is None else str(shown)
        self.problems.append(Problem(self.number, column, text, message))


def read_file(path: Path, columns: Sequence[Column]) -> list[Row]:
    """Return the parsed rows of a file. Raises FileRefused naming every bad cell."""
    if not path.is_file():
        raise FileRefused(str(path), [Problem(0, "", "", "there is no such file")])
    if path.stat().st_size > MOST_BYTES:
        raise FileRefused(path.name, [Problem(0, "", "", "the file is over 200 MB; split it")])
    return read_text(path.read_bytes(), columns, name=path.name)


def read_text(raw: bytes, columns: Sequence[Column], *, name: str) -> list[Row]:
    """Return the parsed rows of a file's bytes. Raises FileRefused."""
    try:
        content = raw.decode("utf-8-sig")
    except UnicodeDecodeError as bad:
        message = f"not UTF-8 at byte {bad.start}; save the sheet as 'CSV UTF-8' and try again"
        row = raw[: bad.start].count(b"\n") + 1
        raise FileRefused(name, [Problem(row, "", "", message)]) from bad
    if "\x00" in content:
        row = content[: content.index("\x00")].count("\n") + 1
        raise FileRefused(name, [Problem(row, "", "", "holds bytes no text has")])
    rows = _parse(_split(content, name), columns, name)
    refuse_if_bad(rows, name)
    return rows


def rows_of(
    header: Sequence[str],
    table: Iterable[tuple[int, list[str]]],
    columns: Sequence[Column],
    places: Mapping[str, int],
) -> list[Row]:
    """Return the parsed rows of a table whose columns a person has matched; problems on them.

    places: which cell of a row holds a column; a column without one is blank in every row.
    """
    size, found = len(header), []
    by_name = {column.name: column for column in columns}
    chosen = [column.name for column in columns if column.name in places]
    for number, cells in table:
        row = Row(number, dict.fromkeys(by_name))
        if len(cells) != size:
            message = f"has {len(cells)} cells where the header has {size}"
            row.problems.append(Problem(number, "", "", message))
        else:
            _fill(row, ((name, cells[places[name]]) for name in chosen), by_name)
            for name in [name for name, one in by_name.items() if one.required]:
                if name not in places:
                    row.refuse(name, "is blank; this column must be filled")
        found.append(row)
    return found


def refuse_if_bad(rows: Iterable[Row], name: str) -> None:
    """Raise FileRefused when any row carries a problem."""
    problems = [problem for row in rows for problem in row.problems]
    if problems:
        raise FileRefused(name, problems)


def _split(content: str, name: str) -> list[tuple[int, list[str]]]:
    """Return (line number, cells) of each row; blank lines are passed over."""
    csv.field_size_limit(10 * 1024 * 1024)
    reader = csv.reader(io.StringIO(content, newline=""), strict=True)
    found = []
    number = 0
    try:
        for number, cells in enumerate(reader, start=1):
            if any(cell.strip() for cell in cells):
                found.append((number, cells))
    except csv.Error as bad:
        problem = Problem(number + 1, "", "", f"is no CSV: {bad} (a quote left open?)")
        raise FileRefused(name, [problem]) from bad
    return found


def _parse(table: list[tuple[int, list[str]]], columns: Sequence[Column], name: str) -> list[Row]:
    expected = [column.name for column in columns]
    if not table:
        message = f"the file is empty; its first row must be {','.join(expected)}"
        raise FileRefused(name, [Problem(1, "", "", message)])
    header = [cell.strip() for cell in table[0][1]]
    _check_header(header, expected, name)
    by_name = {column.name: column for column in columns}
    return [_parse_row(number, cells, header, by_name) for number, cells in table[1:]]


def _check_header(header: list[str], expected: list[str], name: str) -> None:
    times = Counter(header)  # counted once: a file may have a million columns
    problems = [
        *(f"the column {one} stands twice" for one, found in times.items() if found > 1),
        *(f"the column {one} is missing" for one in expected if one not in times),
        *(f"the column {one!r} is not known" for one in header if one not in expected),
    ]
    if problems:
        problems.append(f"the header must be {','.join(expected)}")
        raise FileRefused(name, [Problem(1, "", "", problem) for problem in problems])


def _parse_row(number: int, cells: list[str], header: list[str], columns: dict[str, Column]) -> Row:
    row = Row(number, dict.fromkeys(header))
    if len(cells) != len(header):
        message = f"has {len(cells)} cells where the header has {len(header)}"
        row.problems.append(Problem(number, "", "", message))
        return row
    _fill(row, zip(header, cells, strict=True), columns)
    return row


def _fill(row: Row, cells: Iterable[tuple[str, str]], columns: Mapping[str, Column]) -> None:
    for name, cell in cells:
        column, trimmed = columns[name], disarm(cell.strip())
        try:
            row.values[name] = _parse_cell(trimmed, column)
        except ValueError as bad:
            row.problems.append(Problem(row.number, name, trimmed, str(bad)))


def _parse_cell(cell: str, column: Column) -> Any:
    if not cell:
        if column.required:
            raise ValueError("is blank; this column must be filled")
        return None
    if len(cell) > LONGEST_CELL:
        raise ValueError(f"has {len(cell)} characters; at most {LONGEST_CELL} are read")
    if any("\ud800" <= character <= "\udfff" for character in cell):
        raise ValueError("holds half a character (a lone surrogate)")
    found = column.parse(cell)
    return _parse_cell("", column) if found == "" else found  # nothing of it could be seen
