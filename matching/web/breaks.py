"""The page of build breaks, and what a reviewer decides on it."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from matching import build_breaks
from matching.models import BuildBreak
from parts.selectors import printed_numbers
from workshop.errors import DomainError
from workshop.members import why_not
from workshop.models import Member, Role
from workshop.web.gate import ACTION, for_member
from workshop.web.pages import page_of


@for_member()
def break_list(request: HttpRequest, member: Member) -> HttpResponse:
    return _show(request, member)


def _show(request: HttpRequest, member: Member, refused: DomainError | None = None) -> HttpResponse:
    """Return the page; after a refused decision with its sentence and status."""
    page = page_of(request, build_breaks.list_breaks(member.workshop))
    printed = printed_numbers(member.workshop_id, {row.kind_id for row in page})
    shown = {
        "page": page,
        "rows": [
            {
                "it": row,
                "before": _seen(row.before, printed[row.kind_id]),
                "after": _seen(row.after, printed[row.kind_id]),
            }
            for row in page
        ],
        "refused": refused,
        "not_allowed": why_not(member, Role.REVIEWER),
    }
    return render(request, "matching/breaks.html", shown, status=refused.status if refused else 200)


def _seen(counts: dict[str, int], printed: dict[str, str]) -> list[tuple[str, int]]:
    """Return the numbers of one side as printed, most seen first, with how often."""
    ordered = sorted(counts.items(), key=lambda one: (-one[1], one[0]))
    return [(printed.get(number, number), count) for number, count in ordered]


def _decide(request: HttpRequest, member: Member, break_id: int, act: Any) -> HttpResponse:
    build_breaks.get_break(member.workshop, break_id)
    try:
        row: BuildBreak = act(
            workshop=member.workshop,
            break_id=break_id,
            member=member,
            now=timezone.now(),
            note=request.POST.get("note", "")[:2000],
        )
    except DomainError as refused:
        return _show(request, member, refused)
    messages.success(request, f"The change of {row.kind.name} is {row.get_state_display()}.")
    return redirect("breaks")


@for_member(Role.REVIEWER, methods=ACTION)
def break_accept(request: HttpRequest, member: Member, break_id: int) -> HttpResponse:
    return _decide(request, member, break_id, build_breaks.accept_break)


@for_member(Role.REVIEWER, methods=ACTION)
def break_reject(request: HttpRequest, member: Member, break_id: int) -> HttpResponse:
    return _decide(request, member, break_id, build_breaks.reject_break)


@for_member(Role.REVIEWER, methods=ACTION)
def break_retire(request: HttpRequest, member: Member, break_id: int) -> HttpResponse:
    return _decide(request, member, break_id, build_breaks.retire_break)
