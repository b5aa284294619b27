"""What the description of the API says of every operation: repeating a request, and errors."""

from typing import Any

from drf_spectacular.authentication import BasicScheme
from drf_spectacular.contrib.knox_auth_token import KnoxTokenScheme
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.permissions import SAFE_METHODS

from workshop.api import MemberView
from workshop.idempotency import HEADER

REPEATING = OpenApiParameter(
    HEADER,
    OpenApiTypes.STR,
    OpenApiParameter.HEADER,
    description=(
        "A new value of your own for each new request, such as a UUID in double quotes; at most "
        "128 characters. The same request sent again with the same key acts no second time: it "
        "is answered with the reply of the first, byte for byte, for at least 24 hours. With "
        "another payload, path or member the key is refused with 422. Refusals (4xx) are not "
        "kept: the same key may be tried again. A request that arrives while the first is still "
        "at work waits for it. Keys are separate for each workshop. Without a key each request "
        "acts. (draft-ietf-httpapi-idempotency-key-header)"
    ),
)
PROBLEM = {
    "type": "object",
    "description": "Problem details (RFC 9457), with the reason by field.",
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "code": {"type": "string", "description": "stable; for programs"},
        "detail": {"type": "string", "description": "a sentence for people"},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "properties": {"field": {"type": "string"}, "detail": {"type": "string"}},
                "required": ["field", "detail"],
            },
        },
    },
    "required": ["type", "title", "status", "code", "detail", "errors"],
}


def _problem(status: int, code: str, detail: str, *errors: tuple[str, str]) -> dict[str, Any]:
    return {
        "type": "about:blank",
        "title": code.replace("-", " ").capitalize(),
        "status": status,
        "code": code,
        "detail": detail,
        "errors": [{"field": field, "detail": text} for field, text in errors],
    }


EXAMPLES = {
    "400": _problem(
        400,
        "input-refused",
        "The rule cannot be used: job_side.built_to 2020-01-01 lies before built_from "
        "(2020-01-02).",
        ("job_side.built_to", "2020-01-01 lies before built_from (2020-01-02)."),
    ),
    "401": _problem(401, "not-authenticated", "Authentication credentials were not provided."),
    "403": _problem(403, "not-allowed", "Only a reviewer or the owner decides on rules."),
    "404": _problem(404, "not-found", "There is no rule 99 in this workshop."),
    "409": _problem(409, "conflict", "Rule 17 is approved already."),
    "422": _problem(
        422,
        "idempotency-key-reused",
        "The Idempotency-Key 8e03978e-40d5-43dd-bc93-6994a57f9324 was sent before with another "
        "request. Use a new key for a new request; repeat a request unchanged to get its reply.",
        (HEADER, "Used before for another request."),
    ),
}
WORDS = {
    "400": "What was sent cannot be used; `errors` says why by field.",
    "401": "Not signed in.",
    "403": "Your role does not cover this.",
    "404": "No such thing in this workshop.",
    "409": "It clashes with what is there now.",
    "422": f"The {HEADER} stands for another request already.",
}


class TokenScheme(KnoxTokenScheme):
    """Describes our tokens as knox's, which they are beside their scope."""

    target_class = "workshop.access.api_tokens.ScopedToken"


class PasswordScheme(BasicScheme):
    """Describes our check of name and password as HTTP Basic, which it is beside its limits."""

    target_class = "workshop.access_api.LimitedBasic"


class Schema(AutoSchema):
    """Adds the Idempotency-Key to every operation that writes."""

    def get_override_parameters(self) -> list[Any]:
        found: list[Any] = super().get_override_parameters()
        if self.method in SAFE_METHODS or not isinstance(self.view, MemberView):
            return found
        return [*found, REPEATING] if self.view.keeps_replies() else found


def describe_errors(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Add the answers to refused requests to every operation (a post-processing hook)."""
    result.setdefault("components", {}).setdefault("schemas", {})["Problem"] = PROBLEM
    for path, operations in result["paths"].items():
        for method, operation in operations.items():
            for status in _statuses(path, method, operation):
                operation["responses"].setdefault(status, _answer(status))
    return result


def _statuses(path: str, method: str, operation: dict[str, Any]) -> list[str]:
    parameters = operation.get("parameters", [])
    takes_input = "requestBody" in operation or any(p["in"] == "query" for p in parameters)
    writes = method.upper() not in SAFE_METHODS
    repeats = any(p["name"] == HEADER for p in parameters)
    wanted = {
        "400": takes_input or repeats,
        "401": True,
        "403": True,
        "404": "{" in path,
        "409": writes,
        "422": repeats,
    }
    return [status for status, given in wanted.items() if given]


def _answer(status: str) -> dict[str, Any]:
    content = {"schema": {"$ref": "#/components/schemas/Problem"}, "example": EXAMPLES[status]}
    return {"description": WORDS[status], "content": {"application/problem+json": content}}
