"""The id of a request: sane ones are taken, others replaced; threads do not mix them up."""

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workshop import tracing


@pytest.mark.parametrize("sane", ["a1b2c3d4", "A-b_c.d12", "x" * 64])
def test_a_sane_id_is_taken(sane: str) -> None:
    assert tracing.accepted(sane) == sane


@pytest.mark.parametrize(
    "bad",
    [
        None,
        "",
        "short",
        "x" * 65,
        "with space",
        "new\nline-here",
        "a1b2c3d4\n",
        "é1234567",
        '"quote"1',
    ],
)
def test_anything_else_is_replaced(bad: str | None) -> None:
    made = tracing.accepted(bad)
    assert made != bad
    assert tracing.SANE.fullmatch(made)


@given(st.text(max_size=100))
def test_whatever_is_stated_what_is_used_is_sane(text: str) -> None:
    assert tracing.SANE.fullmatch(tracing.accepted(text))


def test_ids_nest_and_do_not_cross_threads() -> None:
    seen: list[str] = []
    with tracing.following("outer-id"):
        with tracing.following("inner-id"):
            assert tracing.current() == "inner-id"
        assert tracing.current() == "outer-id"
        other = threading.Thread(target=lambda: seen.append(tracing.current()))
        other.start()
        other.join()
    assert (tracing.current(), seen) == ("", [""])
