"""Signatures of webhooks as the Standard Webhooks specification 1.0.0 has them (symmetric, v1)."""

import base64
import hashlib
import hmac
from collections.abc import Iterable
from datetime import datetime

PREFIX = "whsec_"
SHORTEST, LONGEST = 24, 64  # bytes of a secret


def secret_text(secret: bytes) -> str:
    """Return a secret as it is shown to the receiver. Raises ValueError for a bad length."""
    if not SHORTEST <= len(secret) <= LONGEST:
        raise ValueError(f"a secret has {SHORTEST} to {LONGEST} bytes, not {len(secret)}")
    return PREFIX + base64.b64encode(secret).decode()


def signature(secret: bytes, message_id: str, at: datetime, body: bytes) -> str:
    """Return v1,<base64 of HMAC-SHA256 over id.timestamp.body>. Raises ValueError for a dot in
    the id: another message could then be signed alike.
    """
    if "." in message_id:
        raise ValueError("the id of a message must not hold a dot")
    signed = f"{message_id}.{int(at.timestamp())}.".encode() + body
    digest = hmac.new(secret, signed, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"


def headers(secrets: Iterable[bytes], message_id: str, at: datetime, body: bytes) -> dict[str, str]:
    """Return the three headers of a webhook. Several secrets: one is being replaced."""
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(int(at.timestamp())),
        "webhook-signature": " ".join(signature(one, message_id, at, body) for one in secrets),
    }
