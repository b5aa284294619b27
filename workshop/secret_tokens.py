"""Secrets of which none is stored in a form that a stolen database gives away.

What must be made again (to sign with, to compare codes with) is derived from the site's SECRET_KEY
and a random seed; what is only ever compared is kept as its SHA-256. The tokens are random and 256
bits long, so that a fast hash is enough.
"""

import hashlib
import hmac
import secrets

from django.conf import settings


def new_seed(purpose: bytes) -> tuple[str, str]:
    """Return a fresh seed and the check sum of the secret made of it with the site's key."""
    seed = secrets.token_hex(32)
    return seed, _sum(purpose, _derive(purpose, settings.SECRET_KEY, seed))


def secret_of(purpose: bytes, seed: str, check_sum: str) -> bytes | None:
    """Return the 32 bytes of a secret; None when no key of the site makes it any more."""
    for key in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS):
        secret = _derive(purpose, key, seed)
        if hmac.compare_digest(_sum(purpose, secret), check_sum):
            return secret
    return None


def _derive(purpose: bytes, key: str | bytes, seed: str) -> bytes:
    raw = key.encode() if isinstance(key, str) else key
    return hmac.new(raw, purpose + seed.encode(), hashlib.sha256).digest()


def _sum(purpose: bytes, secret: bytes) -> str:
    return hashlib.sha256(purpose + secret).hexdigest()


def new_token() -> tuple[str, str]:
    """Return a fresh token and the hash that is kept of it."""
    token = secrets.token_urlsafe(32)
    return token, token_hash(token)


def token_hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
