"""Answers to what views cannot handle alone."""

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.encoding import escape_uri_path
from django.utils.http import escape_leading_slashes

from workshop.errors import DomainError

Handler = Callable[[HttpRequest], HttpResponse]


LEFT_OUT = "What you looked for held a character that cannot be read. It was left out."


class RefuseNulBytes:
    """Let no NUL of an address through: PostgreSQL raises on it where SQLite accepts.

    A page is shown without it and says so; to a program, in a path, or in a form that writes it
    is refused with 400.
    """

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        query = request.META.get("QUERY_STRING", "")
        if "\x00" not in request.path and "%00" not in query:
            return self.get_response(request)
        if request.path.startswith("/api/"):
            return HttpResponse("The address holds a NUL character.", status=400)
        if "\x00" in request.path or request.method not in ("GET", "HEAD"):
            return render(request, "400.html", status=400)
        messages.warning(request, LEFT_OUT)
        path = escape_leading_slashes(escape_uri_path(request.path))  # "//host" is another host
        return redirect(f"{path}?{query.replace('%00', '')}")


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
