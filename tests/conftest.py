"""Fixtures every integration test may use. Worlds are small and the same each time."""

from datetime import date

import pytest

from tests.factories import Bench, make_bench


@pytest.fixture
def bench(db: None) -> Bench:
    """A workshop with its people, two makes and a handful of known models."""
    return make_bench("millrace")


@pytest.fixture
def other_bench(db: None) -> Bench:
    """A second workshop that must never see anything of the first."""
    return make_bench("gannet")


@pytest.fixture
def today() -> date:
    return date(2026, 11, 20)
