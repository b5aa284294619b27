"""Secrets of webhooks and feeds: none of them is stored in a form a stolen database gives away.

A webhook's secret is derived from the site's SECRET_KEY and a random seed, so that it can be
made again to sign with; a feed's token is only ever compared, so its SHA-256 is kept.
"""

import hashlib
import hmac
import secrets

from django.conf import settings

from matching.models import WebhookEndpoint

PURPOSE = b"webhook secret "


def new_seed() -> tuple[str, str]:
    """Return a fresh seed and the check sum of the secret made of it with the site's key."""
    seed = secrets.token_hex(32)
    return seed, _sum(_derive(settings.SECRET_KEY, seed))


def secret_of(seed: str, check_sum: str) -> bytes | None:
    """Return the 32 bytes of a secret; None when no key of the site makes it any more."""
    for key in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS):
        secret = _derive(key, seed)
        if hmac.compare_digest(_sum(secret), check_sum):
            return secret
    return None


def signing_secrets(endpoint: WebhookEndpoint, *, old_too: bool) -> list[bytes]:
    """Return the secrets to sign with, the newest first; none when the site's key is another."""
    found = [secret_of(endpoint.seed, endpoint.check_sum)]
    if old_too:
        found.append(secret_of(endpoint.old_seed, endpoint.old_check_sum))
    return [one for one in found if one is not None]


def _derive(key: str | bytes, seed: str) -> bytes:
    raw = key.encode() if isinstance(key, str) else key
    return hmac.new(raw, PURPOSE + seed.encode(), hashlib.sha256).digest()


def _sum(secret: bytes) -> str:
    return hashlib.sha256(PURPOSE + secret).hexdigest()


def new_token() -> tuple[str, str]:
    """Return a fresh token for an address and the hash that is kept of it."""
    token = secrets.token_urlsafe(32)
    return token, token_hash(token)


def token_hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
