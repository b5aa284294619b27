"""The page of a job's triage, and the page of what a workshop reckons with."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from matching import selectors, share_views, triage_figures, triaging, waits
from matching.triage_figures import ShownRule, list_rules_of_thumb
from matching.triage_situation import weigh
from matching.web.triage_forms import FiguresForm, RuleForm, estimate_form, rule_form
from matching.web.waiting_chart import chart
from workshop import members
from workshop.errors import DomainError, NotFound
from workshop.members import why_not
from workshop.models import Member, Role
from workshop.web.forms import posted
from workshop.web.gate import ACTION, FORM, for_member


@for_member(methods=FORM)
def job_triage(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    job = selectors.get_job(member.workshop, ref)
    if request.method == "POST":
        members.require(request, Role.TECHNICIAN)
    today = timezone.localdate(timezone.now())
    shown: dict[str, Any] = {"job": job, "corroded": triage_figures.is_corroded(job)}
    try:
        weighed = weigh(member.workshop, ref, on=today)
    except DomainError as refused:
        return render(request, "matching/triage.html", {**shown, "refused": refused})
    form = estimate_form(weighed.needs, weighed.estimate, weighed.quotes, posted(request))
    if form.is_bound and form.accepts():
        try:
            triage_figures.estimate_job(
                workshop=member.workshop, ref=ref, known=form.known(), quotes=form.quotes()
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Weighed anew with that.")
            return redirect("job-triage", ref)
    found = triaging.decide_weighed(member.workshop, weighed)
    shown = {
        **shown,
        "triage": found,
        "rows": [
            (one, triaging.NAMES[one.first], triaging.steps_in_words(one))
            for one in found.decision.options
        ],
        "proposed": list(
            share_views.standing_for_needs(member.workshop, [one.pk for one in weighed.needs])
        ),
        "odds": weighed.odds,
        "chart": chart(weighed.odds.curve(), weighed.odds.median_days),
        "form": form,
        "not_allowed": why_not(member, Role.TECHNICIAN),
    }
    return render(request, "matching/triage.html", shown, status=form.status)


@for_member(methods=FORM)
def triage_settings(request: HttpRequest, member: Member) -> HttpResponse:
    if request.method == "POST":
        members.require(request, Role.OWNER)
    form = FiguresForm(posted(request), workshop=member.workshop)
    if form.is_bound and form.accepts():
        given = form.cleaned_data
        try:
            waits.set_figures_and_days(
                workshop=member.workshop,
                figures=form.figures(),
                new_machines=form.new_machines(),
                first=given["first_review_days"],
                second=given["second_review_days"],
                wait_days=given["wait_days"],
                on=timezone.localdate(timezone.now()),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Jobs are weighed with that from now on.")
            return redirect("triage-settings")
    return _settings(request, member, form=form)


def _settings(
    request: HttpRequest,
    member: Member,
    *,
    form: FiguresForm | None = None,
    tried: tuple[str, RuleForm] | None = None,
) -> HttpResponse:
    rows = list_rules_of_thumb(member.workshop)
    refused = tried[1] if tried else form
    shown: dict[str, Any] = {
        "form": form or FiguresForm(workshop=member.workshop),
        "rules": [(row, _form_of(row, tried)) for row in rows],
        "refused_form": refused,
        "not_allowed": why_not(member, Role.OWNER),
    }
    status = refused.status if refused else 200
    return render(request, "matching/triage_settings.html", shown, status=status)


def _form_of(row: ShownRule, tried: tuple[str, RuleForm] | None) -> RuleForm:
    return tried[1] if tried and tried[0] == row.rule.slug else rule_form(row)


@for_member(Role.OWNER, methods=ACTION)
def triage_rule(request: HttpRequest, member: Member, slug: str) -> HttpResponse:
    row = next((r for r in list_rules_of_thumb(member.workshop) if r.rule.slug == slug), None)
    if row is None:
        raise NotFound(f"There is no rule of thumb {slug}.")
    if request.POST.get("reset"):
        triage_figures.reset_rule(workshop=member.workshop, slug=slug)
        messages.success(request, "The rule is the guide's again.")
        return redirect("triage-settings")
    form = rule_form(row, request.POST)
    if form.accepts():
        given = form.cleaned_data
        try:
            triage_figures.set_rule(
                workshop=member.workshop,
                slug=slug,
                figure=given.get("figure"),
                advises=given["advises"],
                shown=given["shown"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "The rule stands so in this workshop.")
            return redirect("triage-settings")
    return _settings(request, member, tried=(slug, form))
