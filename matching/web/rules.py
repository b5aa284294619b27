"""The pages of rules: the list, one rule with its record and impact, and what is done on it."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from matching import impact, ruling, selectors
from matching.models import Rule
from matching.web.forms import RuleFilter, RuleNoteForm
from workshop.errors import DomainError
from workshop.members import why_not
from workshop.models import Member, Role
from workshop.web.gate import ACTION, for_member
from workshop.web.pages import page_of

MOST_SHOWN = 20  # of the pairs gained and of those lost; the counts are of all


@for_member()
def rule_list(request: HttpRequest, member: Member) -> HttpResponse:
    """List rules, those to be decided on unless another state is asked for, newest first."""
    asked = {"state": request.GET.get("state", Rule.State.PROPOSED)}
    form = RuleFilter({**request.GET.dict(), **asked})
    chosen = {name: value for name, value in form.chosen().items() if value}
    rows = selectors.list_rules(member.workshop).filter(**chosen).order_by("-id")
    page = page_of(request, rows)
    shown = {
        "form": form,
        "page": page,
        "rows": [(rule, ruling.in_words(rule)) for rule in page],
        "not_allowed": why_not(member, Role.REVIEWER),
    }
    return render(request, "matching/rules.html", shown)


@for_member()
def rule_page(request: HttpRequest, member: Member, rule_id: int) -> HttpResponse:
    return _show(request, member, rule_id, RuleNoteForm())


def _show(request: HttpRequest, member: Member, rule_id: int, form: RuleNoteForm) -> HttpResponse:
    """Return one rule's page; after a refused action with the form as it was sent."""
    rule = selectors.get_rule_with_record(member.workshop, rule_id)
    is_open = rule.state in ruling.OPEN_STATES
    found = impact.impact_of(rule, on=timezone.localdate()) if is_open else None
    shown = {
        "rule": rule,
        "in_words": ruling.in_words(rule),
        "form": form,
        "impact": found,
        "moved": _moved(found) if found else [],
        "comment_not_allowed": why_not(member, Role.TECHNICIAN),
        "decide_not_allowed": why_not(member, Role.REVIEWER),
    }
    return render(request, "matching/rule.html", shown, status=form.status)


def _moved(found: impact.Impact) -> list[dict[str, Any]]:
    """Return the two tables of pairs a rule moves, those moved most first."""
    return [
        {"title": title, "rows": rows[:MOST_SHOWN], "count": count}
        for title, rows, count in (
            ("Pairs gained", found.gained, found.gained_count),
            ("Pairs lost", found.lost, found.lost_count),
        )
    ]


def _act(
    request: HttpRequest, member: Member, rule_id: int, act: Callable[..., Any], done: str
) -> HttpResponse:
    ruling.get_rule(member.workshop, rule_id)
    form = RuleNoteForm(request.POST)
    if form.accepts():
        try:
            act(
                workshop=member.workshop,
                rule_id=rule_id,
                member=member,
                now=timezone.now(),
                note=form.cleaned_data["note"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"Rule {rule_id} {done}.")
            return redirect("rule", rule_id)
    return _show(request, member, rule_id, form)


@for_member(Role.TECHNICIAN, methods=ACTION)
def rule_comment(request: HttpRequest, member: Member, rule_id: int) -> HttpResponse:
    return _act(request, member, rule_id, ruling.comment_rule, "has your comment on its record")


@for_member(Role.REVIEWER, methods=ACTION)
def rule_approve(request: HttpRequest, member: Member, rule_id: int) -> HttpResponse:
    return _act(request, member, rule_id, ruling.approve_rule, "is approved and in force")


@for_member(Role.REVIEWER, methods=ACTION)
def rule_reject(request: HttpRequest, member: Member, rule_id: int) -> HttpResponse:
    return _act(request, member, rule_id, ruling.reject_rule, "is rejected")


@for_member(Role.REVIEWER, methods=ACTION)
def rule_retire(request: HttpRequest, member: Member, rule_id: int) -> HttpResponse:
    return _act(request, member, rule_id, ruling.retire_rule, "is retired")
