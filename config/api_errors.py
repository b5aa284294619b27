"""One shape for every API error: problem details (RFC 9457), with the reason by field."""

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.views.defaults import page_not_found
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import exception_handler

from workshop.errors import DomainError

MEDIA_TYPE = "application/problem+json"


def problem_response(error: Exception, context: Mapping[str, Any]) -> Response | None:
    """Return the answer to an exception; None lets Django answer 500."""
    if isinstance(error, DomainError):
        problem = _problem(error.status, error.code, error.message, _errors(error.fields))
        problem.data = {**problem.data, **error.more}
        return problem
    if isinstance(error, Http404):
        error = exceptions.NotFound()
    if isinstance(error, PermissionDenied):
        error = exceptions.PermissionDenied()
    answer = exception_handler(error, dict(context))
    if answer is None or not isinstance(error, exceptions.APIException):
        return answer
    if isinstance(error, exceptions.ValidationError):
        fields = flatten(error.detail)
        detail = "; ".join(f"{name}: {text}" for name, text in fields) or "Invalid input."
        problem = _problem(answer.status_code, "input-refused", detail, _errors(dict(fields)))
    else:
        problem = _problem(answer.status_code, str(error.default_code), str(error.detail), [])
    for name in ("WWW-Authenticate", "Retry-After"):
        if name in answer.headers:
            problem[name] = answer.headers[name]
    return problem


def flatten(detail: Any, path: str = "") -> list[tuple[str, str]]:
    """Return (field path, sentence) for every message of a validation error."""
    if isinstance(detail, Mapping):
        return [
            found
            for name, value in detail.items()
            for found in flatten(value, f"{path}.{name}".strip("."))
        ]
    if isinstance(detail, list):
        nested = any(isinstance(value, Mapping | list) for value in detail)
        return [
            found
            for number, value in enumerate(detail)
            for found in flatten(value, f"{path}.{number}".strip(".") if nested else path)
        ]
    return [(path or "non_field_errors", str(detail))]


def _errors(fields: Mapping[str, str]) -> list[dict[str, str]]:
    return [{"field": name, "detail": text} for name, text in fields.items()]


def _problem(status: int, code: str, detail: str, errors: list[dict[str, str]]) -> Response:
    body = {
        "type": "about:blank",
        "title": code.replace("-", " ").replace("_", " ").capitalize(),
        "status": status,
        "code": code.replace("_", "-"),
        "detail": detail,
        "errors": errors,
    }
    return Response(body, status=status, content_type=MEDIA_TYPE)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Answer an address nobody has: problem details under /api/, else a page."""
    if not request.path.startswith("/api/"):
        return page_not_found(request, exception)
    problem = _problem(404, "not-found", "There is no such address.", []).data
    return JsonResponse(problem, status=404, content_type=MEDIA_TYPE)
