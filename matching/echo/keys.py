"""Secrets of webhooks (workshop/secret_tokens.py): derived, so that they can be signed with."""

from matching.models import WebhookEndpoint
from workshop import secret_tokens

PURPOSE = b"webhook secret "


def new_seed() -> tuple[str, str]:
    """Return a fresh seed and the check sum of the secret made of it with the site's key."""
    return secret_tokens.new_seed(PURPOSE)


def secret_of(seed: str, check_sum: str) -> bytes | None:
    """Return the 32 bytes of a secret; None when no key of the site makes it any more."""
    return secret_tokens.secret_of(PURPOSE, seed, check_sum)


def signing_secrets(endpoint: WebhookEndpoint, *, old_too: bool) -> list[bytes]:
    """Return the secrets to sign with, the newest first; none when the site's key is another."""
    found = [secret_of(endpoint.seed, endpoint.check_sum)]
    if old_too:
        found.append(secret_of(endpoint.old_seed, endpoint.old_check_sum))
    return [one for one in found if one is not None]
