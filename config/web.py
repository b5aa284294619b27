"""Choosing a workshop, and the addresses of all pages."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import include, path
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from workshop.errors import NotFound
from workshop.members import members_of


@never_cache
@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def choose_workshop(request: HttpRequest) -> HttpResponse:
    """Show the workshops the user belongs to; a POST makes one of them the current one."""
    mine = members_of(request.user)
    if request.method == "POST":
        wanted = request.POST.get("workshop", "")
        member = next((one for one in mine if one.workshop.slug == wanted), None)
        if member is None:
            raise NotFound("You belong to no such workshop. Choose one of those shown.")
        request.session["workshop"] = member.workshop.slug
        messages.success(request, f"You now work in {member.workshop.name}.")
        return redirect("home")
    return render(request, "choose_workshop.html", {"memberships": mine})


urls = [
    path("", include("workshop.web.sign_in")),
    path("", include("workshop.web.people")),
    path("workshops/", choose_workshop, name="choose-workshop"),
    path("", include("workshop.web.certificates")),
    path("", include("workshop.web.dead_letters")),
    path("", include("workshop.web.imports")),
    path("", include("donors.web.urls")),
    path("", include("parts.web.urls")),
    path("", include("matching.web.urls")),
]
