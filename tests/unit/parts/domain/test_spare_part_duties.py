"""Spare-part duty: Regulations (EU) 2019/2019, 2019/2022, 2019/2023, 2023/2533."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.spare_part_duties import Holds, Rule, class_of_kind, duty, find, year
from tests.unit.published import rows
from tests.unit.reference import read
from workshop.domain.intervals import Interval

RULES = [Rule.of(row) for row in read("spare_part_duties")]
LAST = date(2022, 6, 30)
ON = date(2026, 11, 25)


def ask(part_class="circuit-boards", appliance="washing-machine", last=LAST, on=ON, built=None):
    span = Interval(last, last) if isinstance(last, date) else last
    return duty(
        RULES, appliance=appliance, part_class=part_class, last_on_market=span, on=on, built=built
    )


@pytest.mark.parametrize(("appliance", "part_class", "ends"), rows("spare_part_duty"))
def test_published_ends(appliance, part_class, ends):
    day = date.fromisoformat(ends)
    found = ask(part_class, appliance, on=day)
    assert found.holds is Holds.YES
    assert found.until == Interval(day, day)
    assert ask(part_class, appliance, on=day + timedelta(days=1)).holds is Holds.EXPIRED


# Years and delivery as the regulations state them (check-values 1.1): professional, also users.
@pytest.mark.parametrize(
    ("appliance", "professional", "end_user", "applies_from"),
    [
        ("washing-machine", {10}, {10}, date(2021, 3, 1)),
        ("dishwasher", {7}, {10}, date(2021, 3, 1)),
        ("fridge-freezer", {7}, {7, 10}, date(2021, 3, 1)),
        ("tumble-dryer", {10}, {10}, date(2025, 7, 1)),
    ],
)
def test_published_years(appliance, professional, end_user, applies_from):
    own = [rule for rule in RULES if rule.appliance == appliance]
    assert {rule.years for rule in own if rule.audience == "professional"} == professional
    assert {rule.years for rule in own if rule.audience == "end-user"} == end_user
    assert {rule.delivery_working_days for rule in own} == {15}
    assert {rule.applies_from for rule in own} == {applies_from}


def test_only_door_gaskets_of_a_fridge_have_ten_years():
    ten = [r.part_class for r in RULES if r.appliance == "fridge-freezer" and r.years == 10]
    assert ten == ["door-gaskets"]


def test_the_dryers_lists_have_20_and_5_entries():
    own = [rule.audience for rule in RULES if rule.appliance == "tumble-dryer"]
    assert (own.count("professional"), own.count("end-user")) == (20, 5)


def test_to_whom():
    assert find(RULES, appliance="washing-machine", part_class="pumps").to_whom == (
        "professional repairers"
    )
    assert find(RULES, appliance="washing-machine", part_class="door-locks").to_whom == (
        "professional repairers and end users"
    )


def test_the_sentence_says_whom_when_how_soon_and_where_from():
    found = ask()
    assert found.sentence == (
        "Circuit boards: to be supplied to professional repairers within 15 working days, until "
        "2032-06-30 (Regulation (EU) 2019/2023, Annex II point 8, text seen in a mirror; a "
        "summary, not the law)."
    )
    assert "national law" in found.caution


@pytest.mark.parametrize(
    ("appliance", "kind", "part_class"),
    [
        ("washing-machine", "control-board", "circuit-boards"),
        ("washing-machine", "door-gasket", "door-seals"),
        ("fridge-freezer", "door-seal", "door-gaskets"),
        ("tumble-dryer", "run-capacitor", "motor-capacitors"),
        ("washing-machine", "counterweight", None),
        ("microwave", "control-board", None),
    ],
)
def test_class_of_a_kind(appliance, kind, part_class):
    assert class_of_kind(RULES, appliance=appliance, kind=kind) == part_class


def test_before_1_march_2021_there_is_no_duty_rather_than_an_expired_one():
    found = ask(last=date(2021, 2, 28), on=date(2040, 1, 1))
    assert found.holds is Holds.NO_DUTY
    assert "before 2021-03-01" in found.sentence
    assert ask(last=date(2021, 3, 1)).holds is Holds.YES


def test_a_dryer_has_its_own_first_day():
    assert ask(appliance="tumble-dryer", last=date(2025, 6, 30)).holds is Holds.NO_DUTY
    assert ask(appliance="tumble-dryer", last=date(2025, 7, 1)).holds is Holds.YES


def test_what_no_rule_names():
    found = ask("counterweights")
    assert (found.holds, found.rule) == (Holds.NO_DUTY, None)
    assert ask(appliance="microwave").holds is Holds.NO_DUTY


def test_a_bare_year_is_a_span():
    """In the year the duty ends nobody can say, and before March 2021 it may never have been."""
    assert year(2022) == Interval(date(2022, 1, 1), date(2022, 12, 31))
    assert ask(last=year(2022), on=date(2032, 1, 1)).holds is Holds.YES
    assert ask(last=year(2022), on=date(2032, 1, 2)).holds is Holds.UNKNOWN
    assert ask(last=year(2022), on=date(2032, 12, 31)).holds is Holds.UNKNOWN
    assert ask(last=year(2022), on=date(2032, 6, 1)).holds is Holds.UNKNOWN
    assert ask(last=year(2022), on=date(2033, 1, 1)).holds is Holds.EXPIRED
    assert ask(last=year(2021)).holds is Holds.UNKNOWN
    assert ask(last=year(2020)).holds is Holds.NO_DUTY


def test_a_build_date_only_says_not_before():
    found = ask(last=None, built=date(2022, 6, 30))
    assert found.holds is Holds.YES
    assert "at least until 2032-06-30" in found.sentence
    assert ask(last=None, built=date(2022, 6, 30), on=date(2032, 7, 1)).holds is Holds.UNKNOWN
    assert ask(last=None, built=date(2020, 6, 30)).holds is Holds.UNKNOWN
    assert ask(last=None).holds is Holds.UNKNOWN
    assert ask(last=None, built=date(2021, 3, 1)).holds is Holds.YES
    assert ask(last=None, built=date(2021, 2, 28)).holds is Holds.UNKNOWN
    assert ask(last=None, built=date(2022, 6, 30), on=date(2032, 6, 30)).holds is Holds.YES


def test_29_february():
    found = ask("trays", "fridge-freezer", last=date(2024, 2, 29))
    assert found.until == Interval(date(2031, 2, 28), date(2031, 2, 28))


@given(
    st.sampled_from(RULES),
    st.dates(date(2015, 1, 1), date(2030, 12, 31)),
    st.dates(date(2021, 1, 1), date(2045, 1, 1)),
)
def test_a_bare_year_never_contradicts_the_day(rule, last, on):
    place = {"appliance": rule.appliance, "part_class": rule.part_class, "on": on}
    by_day, by_year = ask(last=last, **place).holds, ask(last=year(last.year), **place).holds
    assert by_year in (by_day, Holds.UNKNOWN) or (by_day, by_year) == (Holds.NO_DUTY, Holds.EXPIRED)
