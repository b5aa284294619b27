"""Parts of a donor of which one failed in use: the list, and ending a warning with a reason."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from parts import sisters
from workshop.members import why_not
from workshop.models import Member, Role
from workshop.web.forms import LongText, PlainForm
from workshop.web.gate import ACTION, for_member
from workshop.web.pages import page_of


class WhyForm(PlainForm):
    why = LongText(rows=2, max_length=200, label="Why it is no longer in doubt")


@for_member()
def warning_list(request: HttpRequest, member: Member) -> HttpResponse:
    shown = {
        "page": page_of(request, sisters.open_warnings(member.workshop_id)),
        "not_allowed": why_not(member, Role.TECHNICIAN),
    }
    return render(request, "parts/sister_warnings.html", shown)


@for_member(Role.TECHNICIAN, methods=ACTION)
def warning_end(request: HttpRequest, member: Member, warning_id: int) -> HttpResponse:
    form = WhyForm(request.POST)
    warning = sisters.clear_warning(
        workshop=member.workshop,
        warning_id=warning_id,
        member=member,
        why=form.cleaned_data.get("why", "") if form.is_valid() else "",
        on=timezone.localdate(timezone.now()),
    )
    messages.success(request, f"{warning.part.ref} is no longer in doubt.")
    return redirect("part", warning.part.ref)
