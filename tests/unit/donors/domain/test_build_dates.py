"""Build dates: ISO 8601 weeks, published code shapes, letter schemes (check-values 4.1)."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain import build_dates
from donors.domain.build_dates import Scheme, cut, decode, iso_week
from tests.unit.published import rows
from tests.unit.reference import read
from workshop.domain.intervals import Interval
from workshop.domain.refusals import ValueRefused

UNTIL = date(2026, 11, 25)
SHAPES = {
    "yyww": Scheme.YEAR_WEEK,
    "yww": Scheme.DIGIT_WEEK,
    "ymmdd": Scheme.DIGIT_DAY,
}
ERAS = {row["slug"]: row for row in read("build_eras")}


def built(code, scheme, until=UNTIL):
    return [one.built for one in decode(code, scheme, until=until)]


def days(first, last):
    return Interval(date.fromisoformat(first), date.fromisoformat(last))


@pytest.mark.parametrize(("day", "week"), rows("iso_week"))
def test_published_week_dates(day, week):
    year, number, weekday = int(week[:4]), int(week[6:8]), int(week[-1])
    monday = iso_week(year, number).start
    assert monday + timedelta(days=weekday - 1) == date.fromisoformat(day)


def test_published_years_of_53_weeks():
    found = [[year] for year in range(2000, 2041) if build_dates.weeks_in(year) == 53]
    assert found == rows("iso_53_weeks")


def test_71_years_of_53_weeks_in_400():
    """A reference page on week dates gives 71 in the 400-year cycle; here by Python's calendar."""
    cycle = range(2000, 2400)
    assert sum(build_dates.weeks_in(year) == 53 for year in cycle) == 71


@given(st.dates(date(1951, 1, 1), date(2099, 12, 31)))
def test_every_day_lies_in_its_week(day):
    year, week, _ = day.isocalendar()
    found = iso_week(year, week)
    assert found.start <= day <= found.end
    assert (found.end - found.start).days == 6


@pytest.mark.parametrize(
    ("year", "week", "field"),
    [(2021, 53, "week"), (2020, 54, "week"), (2020, 0, "week"), (1900, 1, "year")],
)
def test_weeks_that_are_not(year, week, field):
    with pytest.raises(ValueRefused) as refused:
        iso_week(year, week)
    assert list(refused.value.fields) == [field]


def test_week_53_of_a_52_week_year_says_so():
    with pytest.raises(ValueRefused) as refused:
        decode("2021-W53", Scheme.ISO_WEEK, until=UNTIL)
    assert refused.value.fields == {
        "code": "'2021-W53' cannot be: 2021 has 52 weeks, there is no week 53: read it again"
    }
    assert built("2020-W53", Scheme.ISO_WEEK) == [days("2020-12-28", "2021-01-03")]


@pytest.mark.parametrize(("code", "shape", "first", "last"), rows("date_codes"))
def test_published_codes_are_among_the_candidates(code, shape, first, last):
    assert days(first, last) in built(code, SHAPES[shape])


def test_an_open_decade_keeps_every_candidate():
    starts = [one.start.year for one in built("431", Scheme.DIGIT_WEEK)]
    assert starts == [1954, 1964, 1974, 1984, 1994, 2004, 2014, 2024]
    assert [one.start.year for one in built("0451", Scheme.YEAR_WEEK)] == [2004]
    assert [one.start.year for one in built("7512", Scheme.YEAR_WEEK)] == [1975]


def test_week_53_leaves_only_the_decades_that_have_it():
    assert [one.start.year for one in built("453", Scheme.DIGIT_WEEK)] == [
        year for year in range(1954, 2027, 10) if date(year, 12, 28).isocalendar().week == 53
    ]
    with pytest.raises(ValueRefused, match="52 weeks"):
        decode("2153", Scheme.YEAR_WEEK, until=UNTIL)


def test_29_february_leaves_only_leap_years():
    assert [one.start.year for one in built("40229", Scheme.DIGIT_DAY)] == [1964, 1984, 2004, 2024]
    with pytest.raises(ValueRefused, match="no such day"):
        decode("50229", Scheme.DIGIT_DAY, until=UNTIL)


@pytest.mark.parametrize(("letter", "year"), rows("letter_years_manual"))
def test_letters_of_the_manual(letter, year):
    """A maker's manual, p. 111."""
    until = date(2033, 1, 1)
    assert built(f"{letter}C", Scheme.LETTER_MANUAL, until) == [
        days(f"{year}-12-01", f"{year}-12-31")
    ]


@pytest.mark.parametrize(("letter", "year"), rows("letter_years_iec_60062"))
def test_letters_of_iec_60062(letter, year):
    """From memory [M]: 20-year cycle, so every letter has several years."""
    found = built(f"{letter}O", Scheme.LETTER_IEC, date(2030, 1, 1))
    assert found[-1] == days(f"{year}-10-01", f"{year}-10-31")
    assert found[-2].start.year == year - 20


def test_the_two_letter_schemes_disagree_so_the_caller_says_which():
    assert [one.start.year for one in built("J5", Scheme.LETTER_MANUAL)] == [2018]
    assert [one.start.year for one in built("J5", Scheme.LETTER_IEC)] == [1957, 1977, 1997, 2017]


@pytest.mark.parametrize("letter", ["I", "O", "Z", "0"])
def test_letters_the_manual_skips(letter):
    with pytest.raises(ValueRefused, match="is not written as"):
        decode(f"{letter}5", Scheme.LETTER_MANUAL, until=UNTIL)


@pytest.mark.parametrize(
    ("code", "scheme"),
    [
        ("", Scheme.YEAR_WEEK),
        ("45", Scheme.YEAR_WEEK),
        ("04A1", Scheme.YEAR_WEEK),
        ("0400", Scheme.YEAR_WEEK),
        ("41301", Scheme.DIGIT_DAY),
        ("2030-W01", Scheme.ISO_WEEK),
        ("1949-W10", Scheme.ISO_WEEK),
        ("０４５１", Scheme.YEAR_WEEK),
    ],
)
def test_codes_that_cannot_be(code, scheme):
    with pytest.raises(ValueRefused) as refused:
        decode(code, scheme, until=UNTIL)
    assert list(refused.value.fields) == ["code"]


def test_week_1_may_begin_in_december():
    assert built("2015-W01", Scheme.ISO_WEEK, date(2014, 12, 30)) == [
        days("2014-12-29", "2015-01-04")
    ]


@given(st.dates(date(1960, 1, 1), UNTIL))
def test_a_coded_day_is_always_among_its_candidates(day):
    year, week, _ = day.isocalendar()
    for code, scheme in (
        (f"{year}-W{week:02d}", Scheme.ISO_WEEK),
        (f"{year % 100:02d}{week:02d}", Scheme.YEAR_WEEK),
        (f"{year % 10}{week:02d}", Scheme.DIGIT_WEEK),
        (f"{day.year % 10}{day:%m%d}", Scheme.DIGIT_DAY),
    ):
        assert any(one.start <= day <= one.end for one in built(code, scheme))


def test_cut_by_everything_else_that_is_known():
    candidates = decode("431", Scheme.DIGIT_WEEK, until=UNTIL)
    found = cut(
        candidates,
        [
            build_dates.received(date(2026, 3, 1)),
            build_dates.era(ERAS["label-a-plus"]),
            build_dates.on_market(2013, 2016),
        ],
    )
    assert [one.built for one in found.kept] == [days("2014-07-28", "2014-08-03")]
    assert len(found.dropped) == len(candidates) - 1
    assert found.dropped[-1][1] == (
        "2024-07-29 to 2024-08-04 is after 2021-12-31 (energy label with plus signs up to A+++)"
    )


def test_a_receipt_and_a_parts_own_date_bracket():
    candidates = decode("41201", Scheme.DIGIT_DAY, until=UNTIL)
    found = cut(
        candidates,
        [build_dates.receipt(date(2015, 1, 7)), build_dates.part_made(date(2005, 1, 1))],
    )
    assert [one.built for one in found.kept] == [days("2014-12-01", "2014-12-01")]


def test_a_span_is_narrowed_and_a_contradiction_keeps_nothing():
    candidates = decode("J5", Scheme.LETTER_MANUAL, until=UNTIL)
    narrowed = cut(candidates, [build_dates.received(date(2018, 5, 10))])
    assert narrowed.kept[0].built == days("2018-05-01", "2018-05-10")
    against = cut(candidates, [build_dates.on_market(2021, None)])
    assert against.kept == ()
    assert "is before 2020-01-01 (model sold 2021 to ?)" in against.dropped[0][1]


def test_the_last_day_counts():
    day = date(2014, 12, 1)
    assert built("41201", Scheme.DIGIT_DAY, day)[-1] == Interval(day, day)
    assert built("41201", Scheme.DIGIT_DAY, day - timedelta(days=1))[-1].start.year == 2004
    month = decode("J5", Scheme.LETTER_MANUAL, until=UNTIL)
    first = cut(month, [build_dates.received(date(2018, 5, 1))])
    assert first.kept[0].built == days("2018-05-01", "2018-05-01")


def test_a_week_has_a_week_to_spare():
    """Not all makers count weeks as ISO 8601 does (practice.md 3.4): one week either way."""
    candidates = decode("2014-W31", Scheme.ISO_WEEK, until=UNTIL)
    assert cut(candidates, [build_dates.received(date(2014, 7, 21))]).kept
    assert not cut(candidates, [build_dates.received(date(2014, 7, 20))]).kept


@given(st.lists(st.dates(date(1980, 1, 1), UNTIL), max_size=4))
def test_more_knowledge_never_adds_a_candidate(days_known):
    candidates = decode("431", Scheme.DIGIT_WEEK, until=UNTIL)
    bounds = [build_dates.receipt(day) for day in days_known]
    for more in range(len(bounds)):
        few, many = cut(candidates, bounds[:more]), cut(candidates, bounds[: more + 1])
        assert len(many.kept) <= len(few.kept)
        assert len(many.kept) + len(many.dropped) == len(candidates)
