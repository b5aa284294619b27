"""Refusals. Each carries a stable code, an HTTP status and a sentence a person can act on."""

from collections.abc import Mapping
from typing import Any


class DomainError(Exception):
    """Something was asked that cannot be done; the message says what, what was found, what to do.

    `fields` names the inputs at fault, so that a form or an API client can show it in place;
    `more` holds what else the API's answer says (extension members of RFC 9457, 3.2).
    """

    code = "refused"
    status = 400

    def __init__(
        self,
        message: str,
        *,
        fields: Mapping[str, str] | None = None,
        more: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.fields = dict(fields or {})
        self.more = dict(more or {})


class InputRefused(DomainError):
    """What was typed or sent cannot be used."""

    code = "input-refused"


class NotFound(DomainError):
    """No such thing in this workshop. Things of other workshops answer the same."""

    code = "not-found"
    status = 404


class NotAllowed(DomainError):
    """The member's role does not cover this."""

    code = "not-allowed"
    status = 403


class Conflict(DomainError):
    """It clashes with what is there now: already held, already fitted, already decided."""

    code = "conflict"
    status = 409
