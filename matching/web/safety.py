"""The page of a job's electrical-safety check: begin it, enter its steps, see what stands."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from matching import safety, selectors
from matching.safety_views import SafetyView, safety_of
from matching.web.safety_forms import BeginForm, step_form
from parts.reference import safety_rules
from parts.selectors import list_cautions
from workshop.errors import DomainError, InputRefused
from workshop.members import why_not
from workshop.models import Member, Role
from workshop.web.forms import PlainForm
from workshop.web.gate import ACTION, for_member


@for_member()
def job_safety(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    return show_safety(request, member, ref)


def show_safety(
    request: HttpRequest,
    member: Member,
    ref: str,
    *,
    begin: BeginForm | None = None,
    step: PlainForm | None = None,
    at: str = "",
) -> HttpResponse:
    """Return the page; after a refused form with what was typed in it. at: the step it is for."""
    job = selectors.get_job(member.workshop, ref)
    view = safety_of(member.workshop, job)
    shown = {
        "job": job,
        "view": view,
        "steps": _steps(view, member, step, at),
        "begin": begin or BeginForm(),
        "refused_form": begin or step,
        "cautions": list_cautions(job.appliance_id, [one.kind_id for one in view.fitted]),
        "not_allowed": why_not(member, Role.TECHNICIAN),
    }
    refused = begin or step
    return render(request, "matching/safety.html", shown, status=refused.status if refused else 200)


def _steps(view: SafetyView, member: Member, tried: PlainForm | None, at: str) -> list[Any]:
    """Return the steps with the form of each that may be entered now."""
    found = []
    for one in view.steps():
        here = one.result.step
        form = tried if here.slug == at else step_form(here, member=member)
        found.append((one, form if one.open_now else None, tried is not None and here.slug == at))
    return found


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_safety_begin(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    selectors.get_job(member.workshop, ref)
    form = BeginForm(request.POST)
    if form.accepts():
        try:
            safety.begin_check(
                workshop=member.workshop,
                ref=ref,
                facts=form.facts(),
                member=member,
                now=timezone.now(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "The safety check has begun. Its first step is open.")
            return redirect("job-safety", ref)
    return show_safety(request, member, ref, begin=form)


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_safety_step(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    selectors.get_job(member.workshop, ref)
    steps = {step.slug: step for step in safety_rules().steps}
    slug = request.POST.get("step", "")
    if slug not in steps:
        raise InputRefused("Choose one of the steps shown.", fields={"step": "Choose one."})
    form = step_form(steps[slug], request.POST, member=member)
    if form.accepts():
        try:
            entered = safety.enter_step(
                workshop=member.workshop,
                ref=ref,
                step=slug,
                entry=form.entry(),
                member=member,
                now=timezone.now(),
                tester=form.cleaned_data["tester"],
                note=form.cleaned_data["note"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"Entered: {entered.sentence}")
            return redirect("job-safety", ref)
    return show_safety(request, member, ref, step=form, at=slug)
