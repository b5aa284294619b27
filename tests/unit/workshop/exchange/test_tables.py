"""Tables as people upload them: nothing guessed, nothing dropped, bombs refused."""

import io
import zipfile
from datetime import date, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

from workshop.exchange import tables
from workshop.exchange.reading import FileRefused
from workshop.exchange.tables import Table, match_columns, read_table


def refusal(raw: bytes) -> str:
    with pytest.raises(FileRefused) as refused:
        read_table(raw, name="a.csv")
    return refused.value.message


def workbook(*rows: list[Any], shapes: dict[str, str] | None = None) -> bytes:
    book = Workbook()
    for row in rows:
        book.active.append(row)
    for cell, shape in (shapes or {}).items():
        book.active[cell].number_format = shape
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16"])
def test_separators_and_encodings_that_say_what_they_are(separator: str, coding: str) -> None:
    text = separator.join(["ref", "price"]) + "\r\n" + separator.join(["007", "é"]) + "\r\n"
    table = read_table(text.encode(coding), name="a.csv")
    assert (table.header, table.rows) == (["ref", "price"], [(2, ["007", "é"])])


def test_a_comma_in_an_amount_does_not_make_columns() -> None:
    table = read_table(b'ref;price;"note, long, with, commas"\nA;1,50;x\n', name="a.csv")
    assert table.rows == [(2, ["A", "1,50", "x"])]


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"", "empty"),
        (b"\n \n", "empty"),
        ("ref\nKüche".encode("cp1252"), "not UTF-8"),
        (b"\xff\xfe\x00", "UTF-16"),
        (b"ref\n\x00", "bytes no text has"),
        (b'ref\n"open', "quote"),
        (b"ref\n" + b"x\n" * (tables.MOST_ROWS + 1), "rows"),
        (b",".join([b"c"] * 101) + b"\n", "columns"),
        (b"\xd0\xcf\x11\xe0" + bytes(600), ".xlsx"),
        (b"PK\x03\x04" + bytes(100), "damaged"),
    ],
)
def test_what_is_refused_whole(raw: bytes, said: str) -> None:
    assert said in refusal(raw)


def test_more_bytes_than_are_taken() -> None:
    assert "over 20 MB" in refusal(b"x" * (tables.MOST_BYTES + 1))


def test_blank_columns_behind_the_last_are_no_columns_but_a_stray_cell_is_kept() -> None:
    table = read_table(b"ref,note,\nA,x,\nB,y,\n", name="a.csv")
    assert (table.header, table.rows[0]) == (["ref", "note"], (2, ["A", "x"]))
    stray = read_table(b"ref,note\nA,x,,\nB,y,z\n", name="a.csv")
    assert stray.rows == [(2, ["A", "x"]), (3, ["B", "y", "z"])]


def test_cells_of_a_workbook_become_what_an_exchange_file_would_hold() -> None:
    raw = workbook(
        ["ref", "n", "day", "yes", "price"],
        ["007", 7, date(2026, 3, 31), True, 1.5],
        ["8", 8, datetime(2026, 3, 31), False, 12.0],  # noqa: DTZ001
        shapes={"B2": "000"},
    )
    table = read_table(raw, name="a.xlsx")
    assert table.rows == [
        (2, ["007", "007", "2026-03-31", "1", "1.5"]),
        (3, ["8", "8", "2026-03-31", "0", "12"]),
    ]
    assert table.problems == []


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("=1+1", "formula"),
        (2**63, "digits"),
        (1.23456789012345678e-9, "digits"),
        (datetime(2026, 3, 31, 8, 30), "time of day"),  # noqa: DTZ001
        ("#N/A", "error"),
    ],
)
def test_cells_that_cannot_be_text_without_doubt_are_named(value: Any, said: str) -> None:
    table = read_table(workbook(["ref", "n"], ["A", value]), name="a.xlsx")
    (problem,) = table.problems
    assert (problem.row, problem.column) == (2, "n")
    assert said in problem.message


def test_rows_are_numbered_as_the_spreadsheet_shows_them_and_other_sheets_are_named() -> None:
    book = Workbook()
    book.active.append(["ref"])
    book.active["A4"] = "X"
    book.create_sheet("Second")
    out = io.BytesIO()
    book.save(out)
    table = read_table(out.getvalue(), name="a.xlsx")
    assert table.rows == [(4, ["X"])]
    assert any("Second" in note for note in table.notes)


def packed(files: dict[str, bytes]) -> bytes:
    """Return the smallest workbook with some of its files replaced or added."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook(["ref"], ["A"]))) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in [*old.namelist(), *(set(files) - set(old.namelist()))]:
            new.writestr(name, files.get(name) or old.read(name))
    return out.getvalue()


SHEET = "xl/worksheets/sheet1.xml"


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ({"xl/media/a.bin": bytes(60 * 2**20)}, "50 MB"),
        ({SHEET: b'<!DOCTYPE x [<!ENTITY a "aaaa">]><worksheet/>'}, "no table needs"),
        (
            {SHEET: '<?xml encoding="UTF-16"?><!DOCTYPE x><w/>'.encode("utf-16")},
            "spreadsheets do not",
        ),
        ({"xl/vbaProject.bin": b"x"}, "programs"),
        ({"inner.zip": b"x"}, "other files"),
        ({SHEET: b"<worksheet><sheetData><row>" + b"<c/>" * 400_000}, "save the table alone"),
        ({"xl/sharedStrings.xml": b"<sst>" + b"<si/>" * 2_100_000}, "save the table alone"),
        ({"xl/styles.xml": b"<styleSheet>" + b"<a/>" * 300_000}, "save the table alone"),
        ({SHEET: b"<not closed"}, "read"),
        ({"xl/workbook.xml": b"<workbook/>"}, ""),
    ],
)
def test_hostile_workbooks_are_refused(files: dict[str, bytes], said: str) -> None:
    assert said in refusal(packed(files))


def test_a_document_type_across_two_pages_is_seen() -> None:
    for shift in range(12):
        cut = b"<!--" + b"x" * (tables._PAGE - 8 - shift) + b"--><!DOCTYPE a><b/>"
        assert "no table needs" in refusal(packed({SHEET: cut}))


def test_sizes_that_lie_are_counted() -> None:
    raw = packed({"xl/media/a.bin": bytes(60 * 2**20)})
    lying = raw.replace((60 * 2**20).to_bytes(4, "little"), (10).to_bytes(4, "little"))
    assert lying != raw
    assert refusal(lying)


@given(st.binary(max_size=400))
def test_any_bytes_are_a_table_or_a_refusal(raw: bytes) -> None:
    for data in (raw, b"PK\x03\x04" + raw):
        try:
            table = read_table(data, name="x")
        except FileRefused:
            continue
        assert Table.from_json(table.to_json()) == table


def test_columns_match_by_name_where_that_is_clear() -> None:
    assert match_columns(["Ref", "bin ", "Part Number", "x"], ["ref", "part_number", "bin"]) == {
        "ref": 0,
        "bin": 1,
        "part_number": 2,
    }
    assert match_columns(["ref", "REF"], ["ref"]) == {}


def test_a_bad_cell_of_the_header_refuses_the_file() -> None:
    assert "formula" in refusal(workbook(["ref", "=A1"], ["A", "x"]))
    assert "formula" in refusal(workbook(["=A1", None], ["ref", "price"], ["A", 1]))


def test_rows_and_columns_of_nothing_but_bad_cells_are_kept_with_their_problems() -> None:
    table = read_table(workbook(["ref"], ["A"], ["=A2"], ["B", "=A2"]), name="a.xlsx")
    assert [number for number, _ in table.rows] == [2, 3, 4]
    assert [(one.row, one.place) for one in table.problems] == [(3, 0), (4, 1)]
    assert {len(cells) for _, cells in table.rows} == {len(table.header)} == {2}


@pytest.mark.parametrize(
    ("shape", "shown"),
    [
        ("000", "007"),
        ("0", "7"),
        ("#,##0.00", "7"),
        ('#,##0.00 "kr"', "7"),
        ("[$€-407] #,##0.00", "7"),
        ("# ##0", "7"),
        ('"D-"0000', None),
        ("000-000", None),
        ("000\\-000", None),
        ("[$D-]0000", None),
        ("0000;-0000", None),
        ("00.0", None),
        ('0 "pcs"', None),
        ("0%", None),
    ],
)
def test_a_number_shown_otherwise_than_it_is_kept_is_named(shape: str, shown: str | None) -> None:
    table = read_table(workbook(["ref"], [7], shapes={"A2": shape}), name="a.xlsx")
    if shown is not None:
        assert (table.rows, table.problems) == ([(2, [shown])], [])
    else:
        assert "shown otherwise" in table.problems[0].message


def test_a_line_of_commas_is_looked_at_once() -> None:
    """No timing: cells of a line are looked at a few times each, not once for each other one."""
    looked = 0

    class Cell(str):
        def strip(self, *args: Any) -> str:
            nonlocal looked
            looked += 1
            return super().strip(*args)

    header, row = [Cell("a"), *[Cell("")] * 5_000], [Cell("b"), *[Cell("")] * 5_000]
    table = tables._table([(1, list(header)), (2, list(row))], [])
    assert (table.header, table.rows) == (["a"], [(2, ["b"])])
    assert looked <= 4 * 10_002


def test_more_columns_are_refused_by_the_row_that_has_them() -> None:
    wide = b"ref\n" + b"x," * tables.MOST_COLUMNS + b"x\n"
    assert "row 2: has 101 columns" in refusal(wide)
    assert "a line of" in refusal(b"ref\n" + b"," * 500_000)
    assert read_table(b"ref" + b"," * 78_000 + b"\nA\n", name="a.csv").header == ["ref"]


def test_one_long_text_in_many_cells_is_refused() -> None:
    long = read_table(workbook(["ref"], ["x" * 4_001]), name="a.xlsx")
    assert "4001 characters" in long.problems[0].message
    raw = workbook(["ref"], *[["x" * 4_000] * 20 for _ in range(300)])
    assert len(raw) < 200_000
    assert "million characters" in refusal(raw)


def named_as(kind: str, path: str) -> dict[str, bytes]:
    """Return a workbook's files so that 300,000 tags stand in `path`, told of as a `kind`."""
    types = (
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Override PartName="/{}" ContentType="application/'
        'vnd.openxmlformats-officedocument.spreadsheetml.{}+xml"/></Types>'
    )
    body = b"<x>" + b"<a/>" * 300_000 + b"<row></row></x>"
    return {"[Content_Types].xml": types.format(path, kind).encode(), path: body}


@pytest.mark.parametrize(
    "files",
    [
        {"xl/styles.bin": b"<a>" + b"<a/>" * 300_000},
        {"xl/worksheets/mine.xml": b"<a>" + b"<a/>" * 300_000},
        named_as("styles", "xl/worksheets/sheet1.xml"),
        named_as("worksheet", "xl/styles.xml"),
        {
            **named_as("worksheet", "xl/worksheets/sheet2.xml"),
            "xl/_rels/a.rels": b'<R><r Type="x/chartsheet" Target="worksheets/sheet2.xml"/></R>',
        },
    ],
)
def test_names_inside_a_workbook_earn_no_larger_limit(files: dict[str, bytes]) -> None:
    assert "save the table alone" in refusal(packed(files))


def test_an_ordinary_large_sheet_is_told_the_true_limit() -> None:
    cell = b'<c r="A1" t="inlineStr"><is><t>x</t></is></c>'
    rows = (b"<row>" + cell * 30 + b"</row>") * 20_000
    said = refusal(packed({SHEET: b"<worksheet><sheetData>" + rows + b"</sheetData></worksheet>"}))
    assert f"more than {tables.MOST_ROWS} rows" in said
