"""What lies in which bin: a list to look through, and to hang at the rack."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from parts import selectors
from parts.web.forms import BinFilter
from workshop.models import Member
from workshop.web.gate import for_member
from workshop.web.pages import page_of

ON_A_PAGE = 100


@for_member()
def bin_list(request: HttpRequest, member: Member) -> HttpResponse:
    form = BinFilter(request.GET)
    rows = selectors.list_by_bin(member.workshop, **form.chosen())
    page = page_of(request, rows, size=ON_A_PAGE)
    loose = selectors.count_without_bin(member.workshop)
    return render(request, "parts/bins.html", {"form": form, "page": page, "loose": loose})
