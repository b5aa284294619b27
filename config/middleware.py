"""Answers to what views cannot handle alone."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from workshop.errors import DomainError

Handler = Callable[[HttpRequest], HttpResponse]


class RefuseNulBytes:
    """Answer 400 to NUL in the address: PostgreSQL raises on it where SQLite accepts."""

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if "\x00" in request.path or "%00" in request.META.get("QUERY_STRING", ""):
            return HttpResponse("The address holds a NUL character.", status=400)
        return self.get_response(request)


class DomainErrorsAreAnswers:
    """Show a refused action as a page with its sentence and status, never as a 500."""

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if not isinstance(error, DomainError):
            return None
        return render(request, "refused.html", {"error": error}, status=error.status)
