"""Browsers for the page tests."""

from collections.abc import Callable

import pytest
from django.test import Client

from tests.factories import Bench

SignIn = Callable[..., Client]


@pytest.fixture
def sign_in() -> SignIn:
    """Return a browser signed in as a member of the bench with this role."""

    def signed_in(bench: Bench, role: str = "technician") -> Client:
        client = Client()
        client.force_login(bench.members[role].user)
        return client

    return signed_in


@pytest.fixture
def technician(bench: Bench, sign_in: SignIn) -> Client:
    return sign_in(bench)


@pytest.fixture
def cataloguer(bench: Bench, sign_in: SignIn) -> Client:
    return sign_in(bench, "cataloguer")


@pytest.fixture
def reviewer(bench: Bench, sign_in: SignIn) -> Client:
    return sign_in(bench, "reviewer")
