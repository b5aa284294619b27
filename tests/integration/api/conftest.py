"""API clients signed in as members."""

from collections.abc import Callable

import pytest
from rest_framework.test import APIClient

from tests.factories import Bench


@pytest.fixture
def sign_in(bench: Bench) -> Callable[..., APIClient]:
    def client(role: str = "technician", at: Bench = bench) -> APIClient:
        found = APIClient()
        found.force_authenticate(at.members[role].user)
        return found

    return client


@pytest.fixture
def api(sign_in: Callable[..., APIClient]) -> APIClient:
    return sign_in()
