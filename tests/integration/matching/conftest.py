"""API clients for what the matching shows over the API."""

from tests.integration.api.conftest import api, sign_in

__all__ = ["api", "sign_in"]
