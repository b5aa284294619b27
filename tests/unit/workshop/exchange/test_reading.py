"""Nothing dropped, nothing guessed (reliability promises 24 and 25)."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workshop.exchange import cells
from workshop.exchange.reading import (
    MOST_PROBLEMS,
    Column,
    FileRefused,
    Problem,
    Row,
    read_file,
    read_text,
    refuse_if_bad,
)

COLUMNS = [
    Column("ref", cells.text(20), required=True),
    Column("price", cells.cents),
    Column("removed_on", cells.day),
    Column("note", cells.text(4000)),
]
HEADER = "ref,price,removed_on,note\n"


def read(text: str | bytes) -> list[Row]:
    raw = text if isinstance(text, bytes) else text.encode()
    return read_text(raw, COLUMNS, name="parts.csv")


def problems(text: str | bytes) -> list[Problem]:
    with pytest.raises(FileRefused) as refused:
        read(text)
    assert refused.value.code == "file-refused"
    assert "nothing was imported" in refused.value.message
    return refused.value.problems


def places(text: str | bytes) -> list[tuple[int, str]]:
    return [(problem.row, problem.column) for problem in problems(text)]


def test_a_plain_file():
    rows = read(HEADER + "P-1,12.50,2026-03-31,dry\nP-2,,,\n")
    assert [row.number for row in rows] == [2, 3]
    assert rows[0]["price"] == 1250
    assert rows[1].values == {"ref": "P-2", "price": None, "removed_on": None, "note": None}


@pytest.mark.parametrize(
    "content",
    [
        "\ufeff" + HEADER + "P-1,,,\n",  # byte order mark
        HEADER.replace("\n", "\r\n") + "P-1,,,\r\n",
        HEADER.replace("\n", "\r") + "P-1,,,",
        " ref , price,removed_on,note \nP-1,,,\n",
        "note,removed_on,price,ref\n,,,P-1\n",  # any order
        HEADER + "\n,,,\nP-1,,,\n",  # blank rows are passed over
        HEADER + '"P-1",,,""\n',
    ],
)
def test_same_file_written_otherwise(content):
    assert [row["ref"] for row in read(content)] == ["P-1"]


def test_a_header_alone_is_a_file_of_no_rows():
    assert read(HEADER) == []


def test_rows_count_as_a_spreadsheet_does():
    """Blank rows count; a cell of two lines is one row."""
    content = HEADER + '\nP-1,,,"two\nlines"\n,,,\nP-2,x,,\n'
    [problem] = problems(content)
    assert (problem.row, problem.column, problem.found) == (5, "price", "x")
    assert str(problem) == "row 5, column price: 'x' 'x' is no amount; write it like 12.50"


def test_every_bad_cell_is_named():
    content = HEADER + 'P-1,"1,50",2026-02-30,\n,,,\n,9.99,2026-01-01,\nP-3,-1,31.12.2025,\n'
    assert places(content) == [
        (2, "price"),
        (2, "removed_on"),
        (4, "ref"),
        (5, "price"),
        (5, "removed_on"),
    ]


@pytest.mark.parametrize(
    ("header", "complaints"),
    [
        ("ref,price,removed_on", ["the column note is missing"]),
        ("ref,price,price,removed_on,note", ["the column price stands twice"]),
        ("ref,price,removed_on,note,colour", ["the column 'colour' is not known"]),
        ("Ref,price,removed_on,note", ["ref is missing", "'Ref' is not known"]),
        ("ref;price;removed_on;note", ["ref is missing", "'ref;price;removed_on;note'"]),
        ("ref\tprice\tremoved_on\tnote", ["ref is missing", "is not known"]),
        ("ref,price,removed_on,note,", ["the column '' is not known"]),
        ("P-1,12.50,2026-03-31,dry", ["ref is missing", "'P-1' is not known"]),
    ],
)
def test_header_is_checked_first(header, complaints):
    found = problems(f"{header}\nP-1,bad,bad,\n")
    assert {problem.row for problem in found} == {1}
    message = "\n".join(map(str, found))
    for complaint in [*complaints, "the header must be ref,price,removed_on,note"]:
        assert complaint in message


def test_a_million_columns_are_refused_at_once():
    """Comparing each name with each other would take hours; this returns."""
    header = ",".join(f"c{n}" for n in range(200_000))
    assert len(problems(header + "\n")) == 200_000 + len(COLUMNS) + 1


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("P-1,12.50", "has 2 cells where the header has 4"),
        ("P-1,12,50,2026-03-31,dry", "has 5 cells where the header has 4"),
    ],
)
def test_ragged_rows(row, message):
    [problem] = problems(f"{HEADER}P-0,,,\n{row}\n")
    assert (problem.row, problem.column) == (3, "")
    assert str(problem) == f"row 3: {message}"


def test_a_quote_left_open_names_the_row_where_it_opens():
    content = HEADER + 'P-1,,,ok\nP-2,,,"never closed\nP-3,,,\nP-4,,,\n'
    [problem] = problems(content)
    assert problem.row == 3
    assert "a quote left open?" in problem.message


def test_a_quote_left_open_in_the_header():
    [problem] = problems('ref,price,removed_on,"note\nP-1,,,\n')
    assert problem.row == 1


def test_text_after_a_closing_quote():
    [problem] = problems(HEADER + 'P-1,,,"closed" here\n')
    assert (problem.row, problem.column) == (2, "")
    assert "is no CSV" in problem.message


def test_nul_is_refused_with_its_row():
    [problem] = problems(HEADER + "P-1,,,\nP-2,,,a\x00b\n")
    assert problem.row == 3
    assert "bytes no text has" in problem.message


@pytest.mark.parametrize(
    ("raw", "row"),
    [
        ((HEADER + "P-1,,,café\n").encode("cp1252"), 2),
        ((HEADER + "P-1,,,\nP-2,,,Küche\n").encode("cp1250"), 3),
        ((HEADER + "P-1,,,dry\n").encode("utf-16"), 1),
        ((HEADER + "P-1,,,").encode() + "\ud800".encode("utf-8", "surrogatepass"), 2),
        (HEADER.encode() + b"P-1,,,\xff\n", 2),
        (b"PK\x03\x04\x14\x00\x06\x00\x08\x00\x00\x00!\x00\xdd", 1),  # an xlsx file begins so
    ],
)
def test_other_encodings_are_refused_never_guessed(raw, row):
    [problem] = problems(raw)
    assert problem.row == row
    assert "save the sheet as 'CSV UTF-8'" in problem.message


def test_utf_16_without_a_mark_is_refused_too():
    [problem] = problems((HEADER + "P-1,,,dry\n").encode("utf-16-le"))
    assert "bytes no text has" in problem.message


@pytest.mark.parametrize("content", ["", "\n\n", "\ufeff", ",,,\n"])
def test_an_empty_file(content):
    [problem] = problems(content)
    assert problem.row == 1
    assert "the file is empty; its first row must be ref,price" in problem.message


def test_a_huge_cell_is_refused_and_shown_short():
    content = HEADER + f"P-1,,,{'x' * 200_000}\n"
    [problem] = problems(content)
    assert (problem.row, problem.column) == (2, "note")
    assert "has 200000 characters; at most 4000 are read" in str(problem)
    assert len(str(problem)) < 200


def test_leading_zeros_and_signs_are_kept():
    rows = read(HEADER + "0042,,,'=1+1\n'+49,,,'plain\n")
    assert [(row["ref"], row["note"]) for row in rows] == [("0042", "=1+1"), ("+49", "'plain")]


def test_many_problems_are_counted_and_some_are_shown():
    with pytest.raises(FileRefused) as refused:
        read(HEADER + "P-1,bad,,\n" * (MOST_PROBLEMS + 7))
    assert len(refused.value.problems) == MOST_PROBLEMS + 7
    assert "57 problem(s) found" in refused.value.message
    assert refused.value.message.count("column price") == MOST_PROBLEMS
    assert refused.value.message.endswith("and 7 more")


def test_problems_found_after_parsing():
    [row] = read(HEADER + "P-1,12.50,,\n")
    row.refuse("ref", "is not known")
    row.refuse("price", "is above 10", found="12.50")
    with pytest.raises(FileRefused) as refused:
        refuse_if_bad([row], "parts.csv")
    assert "row 2, column ref: 'P-1' is not known" in refused.value.message
    assert "row 2, column price: '12.50' is above 10" in refused.value.message


def test_a_missing_file(tmp_path):
    with pytest.raises(FileRefused, match="there is no such file"):
        read_file(tmp_path / "none.csv", COLUMNS)


def test_a_file_on_disk(tmp_path):
    path = tmp_path / "parts.csv"
    path.write_bytes(b"\xef\xbb\xbf" + (HEADER + "P-1,,,\n").encode())
    assert [row["ref"] for row in read_file(path, COLUMNS)] == ["P-1"]


cell_texts = st.text(st.characters(categories=["L", "N", "P", "S"]), max_size=15)


@given(st.lists(st.tuples(cell_texts.filter(bool), cell_texts), max_size=8))
def test_rows_in_are_rows_out(table):
    """Judge: Python's csv writer. Each row comes back, in order, cell for cell."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["ref", "note"])
    writer.writerows([cells.armour(ref), cells.armour(note)] for ref, note in table)
    columns = [Column("ref", cells.text(), required=True), Column("note", cells.text())]
    rows = read_text(out.getvalue().encode(), columns, name="x.csv")
    assert [(row["ref"], row["note"] or "") for row in rows] == table
    assert [row.number for row in rows] == list(range(2, len(table) + 2))


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(raw):
    rows, refused = None, None
    try:
        rows = read(raw)
    except FileRefused as error:
        refused = error.problems
    assert (rows is None) is bool(refused)
    assert all(problem.message for problem in refused or ())


@given(st.lists(st.integers(0, 11), min_size=1, max_size=12, unique=True))
def test_every_planted_error_is_named(bad_rows):
    """Errors planted in known cells: each is named by its row and column, and no other is."""
    lines = [
        f"P-{n},{'1,5' if n in bad_rows else '1.5'},2026-02-{'30' if n % 3 == 0 else '28'},"
        for n in range(12)
    ]
    lines = [line.replace("1,5", '"1,5"') for line in lines]
    planted = {(n + 2, "price") for n in bad_rows} | {
        (n + 2, "removed_on") for n in range(0, 12, 3)
    }
    assert set(places(HEADER + "\n".join(lines))) == planted
