"""Fixtures every integration test may use. Worlds are small and the same each time."""

from datetime import date

import pytest

from tests import quick_flush
from tests.factories import Bench, make_bench

quick_flush.install()


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: pytest.FixtureRequest) -> None:
    with django_db_blocker.unblock():  # type: ignore[attr-defined]
        quick_flush.note_what_was_made()


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
