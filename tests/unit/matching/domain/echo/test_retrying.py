"""How long until the next try."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matching.domain.echo.retrying import MOST_TRIES, wait_after


def test_the_schedule_is_the_specification_s() -> None:
    """Standard Webhooks 1.0.0, "Example retry schedule": time since start of each try."""
    stated = "00:00:05 00:05:05 00:35:05 02:35:05 07:35:05 17:35:05 31:35:05 51:35:05 75:35:05"
    since, seen = timedelta(), []
    for tries in range(1, MOST_TRIES):
        wait = wait_after(tries, chance=0.0)
        assert wait is not None
        since += wait
        minutes, seconds = divmod(int(since.total_seconds()), 60)
        seen.append(f"{minutes // 60:02}:{minutes % 60:02}:{seconds:02}")
    assert seen == stated.split()
    assert wait_after(MOST_TRIES, chance=0.0) is None


@given(st.integers(1, MOST_TRIES - 1), st.floats(0, 1), st.integers(0, 10**6))
def test_jitter_only_adds_and_what_is_asked_for_is_kept_within_a_day(
    tries: int, chance: float, asked: int
) -> None:
    plain = wait_after(tries, chance=0.0)
    wait = wait_after(tries, chance=chance, asked=timedelta(seconds=asked))
    assert plain is not None
    assert wait is not None
    assert plain <= wait <= max(plain * 1.1, timedelta(hours=24))
    assert wait >= min(timedelta(seconds=asked), timedelta(hours=24))


def test_nothing_tried_is_no_failure() -> None:
    with pytest.raises(ValueError, match="nothing was tried"):
        wait_after(0, chance=0.0)
