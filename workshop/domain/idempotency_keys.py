"""The Idempotency-Key header: what a key may be, and what makes two requests the same."""

import hashlib
import json
import re
from typing import Any

LONGEST_KEY = 128
# Source: draft-ietf-httpapi-idempotency-key-header: the value is a String of structured fields
# (RFC 8941, 3.3.3), e.g. "8e03978e-40d5-43dd-bc93-6994a57f9324", in quotes. Many clients leave
# the quotes out; both are taken, and mean the same key.
_QUOTED = re.compile(r'"((?:[\x20\x21\x23-\x5b\x5d-\x7e]|\\["\\])*)"')
_BARE = re.compile(r"[\x21\x23-\x5b\x5d-\x7e]+")


def key_from(header: str) -> str:
    """Return the key a header names. Raises ValueError with the reason."""
    text = header.strip()
    quoted = _QUOTED.fullmatch(text)
    if quoted:
        key = re.sub(r"\\(.)", r"\1", quoted.group(1))
    elif _BARE.fullmatch(text):
        key = text
    else:
        raise ValueError("must be printable ASCII in double quotes, like a UUID")
    if not key.strip():
        raise ValueError("is blank")
    if len(key) > LONGEST_KEY:
        raise ValueError(f"has {len(key)} characters; at most {LONGEST_KEY} are allowed")
    return key


def fingerprint(method: str, path: str, member: int, payload: Any) -> str:
    """Return what two requests must share to be one: who asks, for what, with which payload.

    The payload is compared as parsed: the order of names and the spaces between do not matter.
    """
    stated = json.dumps([method, path, member, payload], sort_keys=True)
    return hashlib.sha256(stated.encode()).hexdigest()
