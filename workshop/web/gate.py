"""Every page's door: signed in, a member of a workshop, with the role the page asks for."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django_htmx.http import HttpResponseClientRedirect

from workshop import members
from workshop.errors import DomainError
from workshop.models import Role

READ = ("GET", "HEAD")
FORM = ("GET", "HEAD", "POST")
ACTION = ("POST",)

View = Callable[..., HttpResponseBase]


class WrongMethod(DomainError):
    """An address that only acts was opened like a page, or the other way round."""

    code = "wrong-method"
    status = 405


def for_member(
    role: Role = Role.CATALOGUER, *, methods: tuple[str, ...] = READ, kept: bool = False
) -> Callable[[View], View]:
    """Give the view the current member as its second argument, or answer without it.

    Strangers are sent to sign in; a role that is too low is refused with a sentence (403).
    Pages are never kept by a browser or proxy: they show private stock. kept: the view says
    itself how its answer may be (a photo never changes, but who may see it does).
    """

    def wrap(view: View) -> View:
        @wraps(view)
        def gated(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not request.user.is_authenticated:
                # An action cannot be repeated by opening its address: go to the first page.
                back = request.get_full_path() if "GET" in methods else reverse("home")
                to_sign_in = redirect_to_login(back)
                # A fragment would show the sign-in page inside the page: send the whole page there.
                part_of_page = request.headers.get("HX-Request")
                return HttpResponseClientRedirect(to_sign_in.url) if part_of_page else to_sign_in
            if request.method not in methods:
                return _wrong_method(request, methods)
            return view(request, members.require(request, role), *args, **kwargs)

        return gated if kept else never_cache(gated)

    return wrap


def _wrong_method(request: HttpRequest, methods: tuple[str, ...]) -> HttpResponse:
    asked = "opened as a page" if request.method in READ else f"asked with {request.method}"
    error = WrongMethod(f"This address cannot be {asked}. Go back and use the buttons there.")
    answer = render(request, "refused.html", {"error": error}, status=error.status)
    answer["Allow"] = ", ".join(methods)
    return answer
