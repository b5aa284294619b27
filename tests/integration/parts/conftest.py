"""API clients signed in as members, as for the tests of the API."""

from tests.integration.api.conftest import sign_in

__all__ = ["sign_in"]
