"""What one cell may hold (reliability promises 25 and 27)."""

import csv
import io
import re
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workshop.exchange import cells

# The starters OWASP ASVS 5.0 names (1.2.10), and their full-width forms.
STARTERS = ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"]
texts = st.text(
    alphabet=st.one_of(st.sampled_from([*STARTERS, "'", "a", "1", " "]), st.characters())
)


@given(texts)
def test_armour_is_undone(value):
    assert cells.disarm(cells.armour(value)) == value


@given(texts)
def test_no_armoured_cell_can_run(value):
    assert not cells.armour(value).startswith(tuple(STARTERS))


@pytest.mark.parametrize("starter", STARTERS)
@pytest.mark.parametrize("before", ["", "'", "''"])
def test_armour_by_starter(starter, before):
    value = f"{before}{starter}1+1"
    assert cells.armour(value) == f"'{value}"
    assert cells.disarm(f"'{value}") == value


@pytest.mark.parametrize("value", ["", "abc", "'abc", "a=1", "12.50", "'", "1-2"])
def test_harmless_cells_stay_as_they_are(value):
    assert cells.armour(value) == value
    assert cells.disarm(value) == value


@given(texts)
def test_armour_survives_a_csv_file(value):
    """Judge: Python's csv module writes and reads the armoured cell."""
    out = io.StringIO()
    csv.writer(out).writerow([cells.armour(value), "x"])
    back = next(csv.reader(io.StringIO(out.getvalue(), newline="")))
    assert cells.disarm(back[0]) == value


@pytest.mark.parametrize(
    ("parse", "cell", "value"),
    [
        (cells.text(), "0042", "0042"),  # leading zeros are kept
        (cells.text(), "two\nlines\tand a tab", "two\nlines\tand a tab"),
        (cells.text(), "drain\u00a0pump", "drain\u00a0pump"),  # the space a web page pastes
        (cells.text(5), "12345", "12345"),
        (cells.day, "2026-03-31", date(2026, 3, 31)),
        (cells.day, "2024-02-29", date(2024, 2, 29)),
        (cells.day, "1950-01-01", date(1950, 1, 1)),
        (cells.cents, "12.5", 1250),
        (cells.whole, "0", 0),
        (cells.whole, "100000", 100000),
        (cells.whole, "007", 7),
        (cells.yes_no, "0", False),
        (cells.yes_no, "1", True),
        (cells.one_of("worked", "failed"), "failed", "failed"),
        (cells.reference(40), "D-0042", "D-0042"),
        (cells.reference(40), "P-1.heater_2", "P-1.heater_2"),
        (cells.reference(6), "D-0042", "D-0042"),
        (cells.word_list, "a|b |a||c", ["a", "b", "c"]),
        (cells.word_list, "|", []),
        (cells.attributes, "mount=3-lug;voltage_v=230", {"mount": "3-lug", "voltage_v": "230"}),
        (cells.attributes, " mount = 3 lug ; ", {"mount": "3 lug"}),
        (cells.attributes, "note=a=b", {"note": "a=b"}),
    ],
)
def test_cells_read(parse, cell, value):
    assert parse(cell) == value


@pytest.mark.parametrize(
    ("parse", "cell", "reason"),
    [
        (cells.text(5), "123456", "has 6 characters; at most 5"),
        (cells.text(), "bell\a", "control character"),
        (cells.text(), "two\rlines", "control character"),
        (cells.text(), "right\u202eto left", "control character"),
        (cells.text(), "half \ud800", "control character"),
        (cells.day, "2026-02-30", "is no date; write it like 2026-03-31"),
        (cells.day, "2026-2-3", "is no date"),
        (cells.day, "31.03.2026", "is no date"),
        (cells.day, "2026-03-31T00:00", "is no date"),
        (cells.day, "20260331", "is no date"),
        (cells.day, "２０２６-03-31", "is no date"),
        (cells.day, "1949-12-31", "outside the years 1950 to 2100"),
        (cells.day, "9999-12-31", "outside the years"),
        (cells.cents, "1,50", "is no amount; write it like 12.50"),
        (cells.whole, "100001", "no whole number between 0 and 100000"),
        (cells.whole, "9223372036854775808", "no whole number"),
        (cells.whole, "-1", "no whole number"),
        (cells.whole, "1.0", "no whole number"),
        (cells.yes_no, "yes", "must be 0 or 1"),
        (cells.one_of("worked", "failed"), "Worked", "is none of: worked, failed"),
        (cells.reference(5), "D-0042", "is no reference; use letters"),
        (cells.reference(40), "D/0042", "is no reference"),  # an address would break in two
        (cells.reference(40), "-D", "is no reference"),
        (cells.reference(40), "..", "is no reference"),
        (cells.reference(40), "D 1", "is no reference"),
        (cells.reference(40), "D-1\n", "is no reference"),
        (cells.reference(40), "Dé", "is no reference"),
        (cells.reference(40), "new", "is a word the site uses itself"),
        (cells.attributes, "mount", "write attributes as name=value"),
        (cells.attributes, "mount=", "write attributes as name=value"),
        (cells.attributes, "Mount=3", "use lower-case words"),
        (cells.attributes, "=3", "use lower-case words"),
        (cells.attributes, "mount=a;mount=b", "names mount twice"),
    ],
)
def test_cells_refused_with_the_reason(parse, cell, reason):
    with pytest.raises(ValueError, match=re.escape(reason)):
        parse(cell)


names = st.from_regex(r"[a-z][a-z0-9_]{0,12}", fullmatch=True)
values = (
    st.text(st.characters(exclude_characters=";", categories=["L", "N", "P"]), min_size=1)
    .map(str.strip)
    .filter(bool)
)


@given(st.dictionaries(names, values, max_size=6))
def test_attributes_round_trip(found):
    assert cells.attributes(cells.attributes_text(found)) == found


@given(st.dates(date(1950, 1, 1), date(2100, 12, 31)))
def test_days_round_trip(day):
    assert cells.day(day.isoformat()) == day


@pytest.mark.parametrize(
    "parse",
    [
        cells.text(),
        cells.reference(40),
        cells.day,
        cells.cents,
        cells.whole,
        cells.yes_no,
        cells.word_list,
        cells.attributes,
    ],
)
@given(st.text(max_size=40))
def test_only_value_errors_come_out(parse, cell):
    value, reason = None, ""
    try:
        value = parse(cell)
    except ValueError as refused:
        reason = str(refused)
    assert (value is None) is bool(reason)
