"""API clients signed in as members, as for the tests of the API, and browsers."""

import pytest
from django.test import Client

from tests.factories import Bench
from tests.integration.api.conftest import sign_in

__all__ = ["sign_in"]


@pytest.fixture
def technician(bench: Bench) -> Client:
    """A browser signed in as the bench's technician."""
    client = Client()
    client.force_login(bench.technician.user)
    return client
