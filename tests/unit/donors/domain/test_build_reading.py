"""A code with all that is known beside it. Judge of weeks: Python's calendar (ISO 8601)."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.build_dates import Bound, Scheme
from donors.domain.build_reading import (
    LENGTHS,
    Clues,
    Known,
    code_in_serial,
    from_json,
    read_code,
    to_json,
)
from tests.unit.reference import read
from workshop.domain.refusals import ValueRefused

ERAS = {row["slug"]: row for row in read("build_eras")}
TODAY = date(2026, 11, 20)


def reading(code: str, scheme: Scheme = Scheme.DIGIT_WEEK, **more):
    return read_code(code, scheme, until=TODAY, eras=ERAS, **more)


def starts(found) -> list[int]:
    return [one.start.year for one in found.kept]


def test_several_decades_stay_until_something_cuts_them() -> None:
    open_now = reading("423")
    assert starts(open_now) == [1954, 1964, 1974, 1984, 1994, 2004, 2014, 2024]
    assert open_now.settled is None
    clues = Clues(eras=("label-a-plus",), receipt_on=date(2016, 5, 1))
    found = reading("423", clues=clues)
    assert starts(found) == [2014]
    monday = date.fromisocalendar(2014, 23, 1)
    assert found.settled is not None
    assert found.settled.start == monday
    assert len(found.dropped) == 7
    assert all("before" in one.why or "after" in one.why for one in found.dropped)


@pytest.mark.parametrize(
    ("clues", "years"),
    [
        (Clues(sold_from=2005, sold_to=2015), [2004, 2014]),
        (Clues(part_made_on=date(2013, 1, 1)), [2014, 2024]),
        (Clues(receipt_on=date(1970, 1, 1)), [1954, 1964]),
        (Clues(eras=("refrigerant-r134a",)), [1994, 2004, 2014]),
        (Clues(eras=("refrigerant-r600a", "label-a-to-g")), [2024]),
    ],
)
def test_each_clue_cuts(clues: Clues, years: list[int]) -> None:
    assert starts(reading("423", clues=clues)) == years


def test_the_day_it_came_in_and_a_date_on_record() -> None:
    assert starts(reading("423", received_on=date(2015, 1, 1)))[-1] == 2014
    also = [Bound("the date on record", date(2004, 1, 1), date(2004, 12, 31))]
    assert starts(reading("423", also=also)) == [2004]


def test_what_contradicts_everything_is_refused_with_the_reasons() -> None:
    with pytest.raises(ValueRefused, match="contradicts what else is known") as refused:
        reading("1823", Scheme.YEAR_WEEK, clues=Clues(receipt_on=date(2010, 1, 1)))
    assert set(refused.value.fields) == {"code"}
    assert "bought on 2010-01-01" in refused.value.fields["code"]


@pytest.mark.parametrize(
    ("clues", "fields"),
    [
        (Clues(sold_from=1000), {"sold_from"}),
        (Clues(sold_from=2015, sold_to=2010), {"sold_to"}),
        (Clues(eras=("moon",)), {"eras"}),
        (Clues(sold_to=99999, eras=("moon",)), {"sold_to", "eras"}),
    ],
)
def test_clues_that_make_no_sense(clues: Clues, fields: set[str]) -> None:
    with pytest.raises(ValueRefused) as refused:
        reading("423", clues=clues)
    assert set(refused.value.fields) == fields


def test_week_53_of_a_year_of_52() -> None:
    """2018 has 52 weeks, 2020 has 53 (ISO 8601; Python's calendar agrees)."""
    assert date(2018, 12, 31).isocalendar().week == 1
    with pytest.raises(ValueRefused, match="2018 has 52 weeks"):
        reading("1853", Scheme.YEAR_WEEK)
    assert reading("2053", Scheme.YEAR_WEEK).settled.start == date.fromisocalendar(2020, 53, 1)


def test_choosing() -> None:
    found = reading("423").choose(date.fromisocalendar(2004, 23, 1))
    assert found.settled.start.year == 2004
    again = reading("423", clues=Clues(receipt_on=date(2012, 1, 1))).kept_choice(found)
    assert again.settled.start.year == 2004
    cut = reading("423", clues=Clues(part_made_on=date(2012, 1, 1))).kept_choice(found)
    assert cut.chosen is None
    with pytest.raises(ValueRefused, match="there are: "):
        reading("423").choose(date(2004, 1, 1))


@pytest.mark.parametrize(
    ("serial", "scheme", "start", "code"),
    [
        ("1823-00417", Scheme.YEAR_WEEK, 1, "1823"),
        ("00 417 1823", Scheme.YEAR_WEEK, 6, "1823"),
        ("ab/H5/9", Scheme.LETTER_IEC, 3, "H5"),
        ("X423999", Scheme.DIGIT_WEEK, 2, "423"),
    ],
)
def test_a_code_in_the_serial_number(serial, scheme, start, code) -> None:
    assert code_in_serial(serial, scheme, start) == code


@pytest.mark.parametrize("serial", ["", "182", "-----"])
def test_a_serial_number_that_is_too_short(serial: str) -> None:
    with pytest.raises(ValueRefused, match="places 1 to 4") as refused:
        code_in_serial(serial, Scheme.YEAR_WEEK, 1)
    assert set(refused.value.fields) == {"serial_number"}


def test_every_scheme_has_its_length() -> None:
    samples = {
        Scheme.ISO_WEEK: "201823",
        Scheme.YEAR_WEEK: "1823",
        Scheme.DIGIT_WEEK: "823",
        Scheme.DIGIT_DAY: "80604",
        Scheme.LETTER_MANUAL: "H6",
        Scheme.LETTER_IEC: "J6",
    }
    assert set(samples) == set(LENGTHS) == set(Scheme)
    for scheme, code in samples.items():
        assert len(code) == LENGTHS[scheme]
        assert reading(code, scheme).kept


clue_sets = st.builds(
    Clues,
    receipt_on=st.none() | st.dates(date(2000, 1, 1), TODAY),
    part_made_on=st.none() | st.dates(date(1950, 1, 1), date(1990, 1, 1)),
    sold_from=st.none() | st.integers(1950, 1990),
    sold_to=st.none() | st.integers(2000, 2030),
    eras=st.sampled_from([(), ("refrigerant-r600a",)]),
)


@given(st.integers(0, 9), st.integers(1, 52), clue_sets)
def test_clues_only_take_away_and_all_is_stored(year: int, week: int, clues: Clues) -> None:
    code = f"{year}{week:02d}"
    whole = reading(code)
    try:
        found = reading(code, clues=clues, known=Known.SERIAL)
    except ValueRefused:
        return
    assert {one.start.year for one in found.kept} <= {
        day.year for one in whole.kept for day in (one.start, one.end)
    }
    assert len(found.kept) + len(found.dropped) == len(whole.kept)
    assert from_json(to_json(found)) == found
    chosen = found.choose(found.kept[0].start)
    assert from_json(to_json(chosen)) == chosen
    assert from_json({}) is None
