"""Pages by which jobs, their needs and donors are corrected; open again, take back."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from donors.selectors import get_donor
from matching import corrections, keeping, reopening, selectors, share_views
from matching.models import Job, Need
from matching.web.correction_forms import (
    CorrectDonorForm,
    CorrectJobForm,
    OneNeedForm,
    WhyForm,
    known_of,
)
from matching.web.jobs import show_job
from parts import donor_corrections
from parts.web.forms import reusable_kind_choices
from workshop.errors import DomainError, NotFound
from workshop.models import Member, Role
from workshop.web.forms import posted
from workshop.web.gate import ACTION, FORM, for_member


@for_member(Role.TECHNICIAN, methods=FORM)
def job_correct(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    job = selectors.get_job(member.workshop, ref)
    kept = keeping.find_kept(job)
    form = CorrectJobForm(posted(request), job=job, workshop=member.workshop, kept=kept is not None)
    if form.is_bound and form.accepts():
        try:
            corrections.correct_job(
                workshop=member.workshop,
                ref=ref,
                changes=form.changes(),
                member=member,
                now=timezone.now(),
                why=form.cleaned_data["why"],
                confirm_mismatch=form.cleaned_data["confirm_mismatch"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"{ref} is corrected. What rested on it follows.")
            return redirect("job", ref)
    shown = {"form": form, "job": job, "kept": kept}
    return render(request, "matching/job_correct.html", shown, status=form.status)


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_take(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    selectors.get_job(member.workshop, ref)
    try:
        corrections.take_job(workshop=member.workshop, ref=ref, member=member, now=timezone.now())
    except DomainError as refused:
        return show_job(request, member, ref, refused)
    messages.success(request, f"{ref} is yours. You are told when a part comes in.")
    return redirect("job", ref)


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_reopen(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    selectors.get_job(member.workshop, ref)
    form = WhyForm(request.POST)
    why = form.cleaned_data["why"] if form.is_valid() else ""
    try:
        reopening.reopen_job(
            workshop=member.workshop, ref=ref, member=member, now=timezone.now(), why=why
        )
    except DomainError as refused:
        return show_job(request, member, ref, refused)
    messages.success(request, f"{ref} is open again, with what it lacks as before.")
    return redirect("job", ref)


@for_member(Role.TECHNICIAN, methods=FORM)
def job_need_new(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    job = selectors.get_job(member.workshop, ref)
    form = OneNeedForm(posted(request), kinds=reusable_kind_choices())
    return _need_page(request, member, job, None, form)


@for_member(Role.TECHNICIAN, methods=FORM)
def need_correct(request: HttpRequest, member: Member, need_id: int) -> HttpResponse:
    need = _need(member, need_id)
    form = OneNeedForm(posted(request), kinds=reusable_kind_choices(), initial=known_of(need))
    return _need_page(request, member, need.job, need, form)


def _need(member: Member, need_id: int) -> Need:
    need = selectors.list_needs(member.workshop).filter(pk=need_id).first()
    if need is None:
        raise NotFound("There is no such need in this workshop.")
    found: Need = need
    return found


def _need_page(
    request: HttpRequest, member: Member, job: Job, need: Need | None, form: OneNeedForm
) -> HttpResponse:
    if form.is_bound and form.accepts():
        try:
            stored = _store(member, job, need, form)
        except DomainError as refused:
            form.refuse(refused)
        else:
            searching = stored.searched_at is None
            said = "The stock is being searched." if searching else "Nothing about it was changed."
            messages.success(request, f"Noted for {job.ref}. {said}")
            return redirect("job", job.ref)
    shown = {"form": form, "job": job, "need": need}
    return render(request, "matching/need.html", shown, status=form.status)


def _store(member: Member, job: Job, need: Need | None, form: OneNeedForm) -> Need:
    facts = form.facts()
    assert facts is not None  # the field is needed
    stated = {
        "workshop": member.workshop,
        "ref": job.ref,
        "facts": facts,
        "member": member,
        "now": timezone.now(),
        "confirm_mismatch": form.cleaned_data["confirm_mismatch"],
    }
    if need is None:
        return corrections.add_need(**stated)
    return corrections.correct_need(need_id=need.pk, **stated)


@for_member(Role.TECHNICIAN, methods=ACTION)
def need_withdraw(request: HttpRequest, member: Member, need_id: int) -> HttpResponse:
    need = _need(member, need_id)
    form = WhyForm(request.POST)
    why = form.cleaned_data["why"] if form.is_valid() else ""
    try:
        job = corrections.withdraw_need(
            workshop=member.workshop,
            ref=need.job.ref,
            need_id=need_id,
            member=member,
            now=timezone.now(),
            why=why,
        )
    except DomainError as refused:
        return show_job(request, member, need.job.ref, refused)
    done = " Nothing else lacks: the job is done." if job.state == Job.State.DONE else ""
    messages.success(request, f"{need.kind.name} is withdrawn; what was held is free.{done}")
    return redirect("job", need.job.ref)


@for_member(Role.TECHNICIAN, methods=FORM)
def outcome_back(request: HttpRequest, member: Member, outcome_id: int) -> HttpResponse:
    outcome = share_views.get_outcome(member.workshop, outcome_id)
    now = timezone.now()
    form = WhyForm(posted(request))
    if form.is_bound and form.accepts():
        try:
            job = reopening.take_back(
                workshop=member.workshop,
                outcome_id=outcome_id,
                member=member,
                now=now,
                why=form.cleaned_data["why"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "The report is taken back. It teaches nothing any more.")
            return redirect("job", job.ref)
    shown = {
        "form": form,
        "outcome": outcome,
        "why_not": reopening.why_not_taken_back(outcome, now=now),
        "days": reopening.TAKE_BACK_DAYS,
    }
    return render(request, "matching/outcome_back.html", shown, status=form.status)


@for_member(methods=FORM)
def donor_correct(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    donor = get_donor(member.workshop, ref)
    form = CorrectDonorForm(posted(request), donor=donor, workshop=member.workshop)
    if form.is_bound and form.accepts():
        try:
            donor_corrections.correct_donor(
                workshop=member.workshop,
                ref=ref,
                changes=form.changes(),
                member=member,
                now=timezone.now(),
                why=form.cleaned_data["why"],
                confirm_mismatch=form.cleaned_data["confirm_mismatch"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"{ref} is corrected. Its parts are matched anew.")
            return redirect("donor", ref)
    return render(
        request, "matching/donor_correct.html", {"form": form, "donor": donor}, status=form.status
    )
