"""What is done from the job page about its wait and its machine: refuse, keep, wait longer."""

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone

from matching import keeping, selectors, waits
from matching.models import Job
from matching.web.jobs import show_job
from matching.web.waiting_forms import answer_form, keep_form, wait_form
from workshop.errors import DomainError
from workshop.models import Member, Role
from workshop.web.forms import PlainForm
from workshop.web.gate import ACTION, for_member


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_refuse(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    selectors.get_job(member.workshop, ref)
    form = answer_form(request.POST)

    def refuse() -> HttpResponse:
        keeping.refuse_repair(
            workshop=member.workshop,
            ref=ref,
            answer=form.answer(),
            member=member,
            now=timezone.now(),
        )
        messages.success(
            request,
            f"{ref} is closed. What was held for it is free again. A slip? Open it again below.",
        )
        return redirect("job", ref)

    return _done(request, member, ref, "answer", form, refuse)


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_permission(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    selectors.get_job(member.workshop, ref)
    form = answer_form(request.POST)

    def note() -> HttpResponse:
        found = keeping.note_permission(
            workshop=member.workshop,
            ref=ref,
            answer=form.answer(),
            member=member,
            now=timezone.now(),
        )
        said = "may be kept as a donor" if found.may_keep else "goes back to its owner"
        messages.success(request, f"Noted: the machine of {ref} {said}.")
        return redirect("job", ref)

    return _done(request, member, ref, "answer", form, note)


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_keep(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    job = selectors.get_job(member.workshop, ref)
    form = keep_form(job, request.POST)

    def keep() -> HttpResponse:
        donor = keeping.keep_as_donor(
            workshop=member.workshop,
            ref=ref,
            member=member,
            now=timezone.now(),
            cause=form.cleaned_data["cause"],
        )
        messages.success(
            request, f"{ref} is donor {donor.ref} now. Waiting jobs are looked through."
        )
        return redirect("donor", donor.ref)

    return _done(request, member, ref, "keep", form, keep)


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_wait(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    job: Job = selectors.get_job(member.workshop, ref)
    form = wait_form(job, request.POST, now=timezone.now())

    def extend() -> HttpResponse:
        until = form.cleaned_data["wait_until"]
        waits.set_end(
            workshop=member.workshop, ref=ref, until=until, member=member, now=timezone.now()
        )
        messages.success(request, f"{ref} waits until {until}.")
        return redirect("job", ref)

    return _done(request, member, ref, "wait", form, extend)


def _done(
    request: HttpRequest,
    member: Member,
    ref: str,
    name: str,
    form: PlainForm,
    act: Callable[[], HttpResponse],
) -> HttpResponse:
    """Do what the form asks, or show the job's page with what is wrong in it."""
    refused: DomainError | None = None
    if form.accepts():
        try:
            return act()
        except DomainError as error:
            form.refuse(error)
            refused = error
    return show_job(request, member, ref, refused, tried={name: form})
