"""The days of a wait. Counted by hand; the days are common practice (14, 28, 30)."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matching.domain.reviews import Waiting

START = date(2026, 3, 1)


def at(days: int) -> date:
    return START + timedelta(days=days)


@pytest.mark.parametrize(
    ("on", "due", "then"),
    [
        (0, None, 14),
        (13, None, 14),
        (14, (14, "review"), 28),
        (27, (14, "review"), 28),
        (28, (28, "review"), 31),
        (30, (28, "review"), 31),
        (31, (31, "over"), None),
        (500, (31, "over"), None),
    ],
)
def test_a_wait_of_thirty_days(on, due, then) -> None:
    wait = Waiting(START, at(30), (14, 28))
    assert wait.due(at(on)) == (due and (at(due[0]), due[1]))
    assert wait.next_after(at(on)) == (None if then is None else at(then))


def test_a_short_wait_has_no_review_after_its_end() -> None:
    assert Waiting(START, at(20), (14, 28)).news() == [(at(14), "review"), (at(21), "over")]


@given(
    st.integers(0, 400), st.lists(st.integers(1, 366), max_size=4, unique=True), st.integers(0, 500)
)
def test_every_news_comes_due_once_in_order(length, after, on) -> None:
    wait = Waiting(START, at(length), after)
    days = [day for day, _ in wait.news()]
    assert days == sorted(days)
    then = wait.next_after(at(on))
    assert then is None or then > at(on)
    due = wait.due(at(on))
    assert (due is None) == (days[0] > at(on))
    assert due is None or then is None or due[0] <= at(on) < then
