"""Pages on jobs, and what is done from them: confirm, hold, release, fit, refuse."""

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Page
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone

from donors.build_readings import CodeAsked
from donors.selectors import candidates_for
from donors.web.builds import build_page, chosen_day, what_was_read
from matching import (
    corrections,
    fittings,
    holds,
    job_search,
    reopening,
    selectors,
    services,
    triage_figures,
    waits,
    warranty,
)
from matching.faults.views import fault_brief
from matching.models import Hold, Job, Outcome
from matching.safety_views import safety_of
from matching.web.forms import FittedForm, JobFilter, JobForm
from matching.web.rows import NeedRows, need_rows
from matching.web.waiting_forms import waiting_context
from parts.duties import Sold, duties_of_kinds
from parts.reference import safety_rules
from parts.reuse import lacking_test
from parts.selectors import list_cautions
from parts.web import plate_photos
from workshop.errors import DomainError, InputRefused, NotFound
from workshop.members import covers, why_not
from workshop.models import Member, Role
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member
from workshop.web.pages import page_of


@for_member()
def job_list(request: HttpRequest, member: Member) -> HttpResponse:
    # What is looked for by name may be closed by now.
    usual = "" if request.GET.get("text", "").strip() else Job.State.OPEN
    form = JobFilter({"state": usual, **request.GET.dict()})
    chosen, today = form.chosen(), timezone.localdate()
    text = chosen["text"].strip()
    if text and (named := job_search.find_by_name(member.workshop, text)) is not None:
        return redirect("job", named.ref)
    rows = job_search.naming(selectors.list_jobs(member.workshop), text)
    rows = job_search.of_whom(rows, chosen["whose"], member)
    if chosen["appliance"]:
        rows = rows.filter(appliance=chosen["appliance"])
    if chosen["wait"]:
        rows = waits.list_over(member.workshop, rows, on=today)
    page = page_of(request, job_search.in_state(rows, chosen["state"]))
    days = member.workshop.wait_days
    shown = {
        "form": form,
        "page": page,
        "elsewhere": _elsewhere(rows, page, chosen),
        "over": {job.pk for job in page if waits.is_over(job, on=today, wait_days=days)},
        "may_open": covers(member, Role.TECHNICIAN),
    }
    return render(request, "matching/jobs.html", shown)


def _elsewhere(rows: "QuerySet[Job]", page: Page[Job], chosen: dict[str, Any]) -> int:
    """Return how many more there are in other states, where somebody looks for something."""
    if not chosen["state"] or not (chosen["text"].strip() or not page.paginator.count):
        return 0
    return rows.count() - page.paginator.count


@for_member(Role.TECHNICIAN, methods=FORM)
def job_new(request: HttpRequest, member: Member) -> HttpResponse:
    initial = {"opened_on": timezone.localdate(), "technician": member, **request.GET.dict()}
    typed = plate_photos.typed(request, member.workshop)
    form = JobForm(typed.data, workshop=member.workshop, initial=initial)
    if typed.reads:
        form.show_again(typed.refused)
    elif form.is_bound and form.accepts():
        given = form.cleaned_data
        try:
            job = services.open_job(
                workshop=member.workshop,
                plate=form.plate(),
                needs=form.need_facts(),
                opened_on=given["opened_on"],
                wait_until=given["wait_until"],
                symptom=given["symptom"],
                technician=given["technician"],
                shown_code=given["shown_code"],
                own_number=given["own_number"],
                confirm_mismatch=given["confirm_mismatch"],
                opened_by=member,
                now=timezone.now(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"Opened as {job.ref}. {_next_of(form)}")
            return redirect("job" if form.need_facts() else "job-fault", job.ref)
    shown = {"form": form, **typed.context()}
    return render(request, "matching/job_new.html", shown, status=form.status)


def _next_of(form: JobForm) -> str:
    if form.need_facts():
        return "The stock is being searched."
    return "Which part it lacks is still open: here is what to check."


@for_member()
def job_page(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    return show_job(request, member, ref)


def show_job(
    request: HttpRequest,
    member: Member,
    ref: str,
    refused: DomainError | None = None,
    *,
    tried: Mapping[str, PlainForm] | None = None,
) -> HttpResponse:
    """Return the job's page; after a refused action with its sentence and status.

    tried: forms of the page that were refused, by the name waiting_context gives them.
    """
    job = selectors.get_job(member.workshop, ref)
    now = timezone.now()
    needs = need_rows(member.workshop, job, now=now)
    settled = job.confirmed or job.recognised_id is not None
    sold = Sold.of(job.appliance_id, job.recognised, job.built_from)
    kinds = [row.need.kind_id for row in needs]
    duties = duties_of_kinds(sold, kinds, on=timezone.localdate(now))
    for row in needs:
        row.duty = duties.get(row.need.kind_id)
    fault = fault_brief(member.workshop, job)
    shown = {
        "job": job,
        "needs": needs,
        "searching": any(row.searching for row in needs),
        "seen": None if settled else candidates_for(job),
        "safety": safety_of(
            member.workshop, job, fitted=[one for row in needs for one in row.outcomes]
        ),
        "fault": fault,
        "corroded": triage_figures.is_corroded(job),
        "cautions": list_cautions(job.appliance_id, kinds),
        "refused": refused,
        "now": now,
        "today": timezone.localdate(now),
        "not_allowed": why_not(member, Role.TECHNICIAN),
        "urgencies": Job.Urgency.choices,
        **changed_context(job, needs),
        **waiting_context(member, job, needs, tried or {}, now=now, at_fault=fault.at_fault),
    }
    statuses = [form.status for form in (tried or {}).values()]
    status = refused.status if refused else max(statuses, default=200)
    return render(request, "matching/job.html", shown, status=status)


def changed_context(job: Job, rows: Sequence[NeedRows]) -> dict[str, Any]:
    """Return what was changed of a job and, of a closed one, how it opens again: two queries."""
    changes = corrections.list_changes(job)
    if job.state == Job.State.OPEN:
        return {"changes": changes}
    closed = next((one for one in changes if one.what == services.STATE), None)
    failed = any(row.need.state == "filled" and _failed(row.outcomes) for row in rows)
    reopen = {"closed": closed, "failed": failed, "why_not": reopening.why_not_reopened(job)}
    return {"changes": changes, "reopen": reopen}


def _failed(outcomes: Sequence[Outcome]) -> bool:
    """Whether the part fitted last, which comes first, failed since."""
    return bool(outcomes) and outcomes[0].result == Outcome.Result.FAILED


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_confirm(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    selectors.get_job(member.workshop, ref)
    try:
        model_id = whole_number(request, "model_id")
        services.confirm_job_model(workshop=member.workshop, ref=ref, model_id=model_id)
    except DomainError as refused:
        return show_job(request, member, ref, refused)
    messages.success(request, f"Noted which model {ref} is. The stock is searched again.")
    return redirect("job", ref)


@for_member(Role.TECHNICIAN, methods=FORM)
def job_build(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    def write(asked: CodeAsked, replace: bool) -> object:
        return services.date_job(workshop=member.workshop, ref=ref, asked=asked, replace=replace)

    job = selectors.get_job(member.workshop, ref)
    return build_page(request, job, write=write, back=reverse("job", args=[ref]))


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_build_choose(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    selectors.get_job(member.workshop, ref)
    try:
        start = chosen_day(request)
        job = services.choose_job_build(workshop=member.workshop, ref=ref, start=start)
    except DomainError as refused:
        return show_job(request, member, ref, refused)
    messages.success(request, what_was_read(job))
    return redirect("job", ref)


@for_member(Role.TECHNICIAN, methods=ACTION)
def hold_new(request: HttpRequest, member: Member, need_id: int) -> HttpResponse:
    need = selectors.list_needs(member.workshop).filter(pk=need_id).first()
    if need is None:
        raise NotFound("There is no such need in this workshop.")
    try:
        hold = holds.hold_part(
            workshop=member.workshop,
            part_ref=sent(request, "part_ref", forms.CharField(max_length=130)),
            need_id=need_id,
            member=member,
            now=timezone.now(),
            note=sent(request, "note", forms.CharField(required=False, max_length=200)),
        )
    except DomainError as refused:
        return show_job(request, member, need.job.ref, refused)
    until = timezone.localtime(hold.expires_at)
    messages.success(request, f"{hold.part.ref} is held until {until:%Y-%m-%d %H:%M}.")
    return redirect("job", need.job.ref)


def get_hold(member: Member, hold_id: int) -> Hold:
    """Return the hold, standing or ended, or raise NotFound."""
    hold = selectors.list_holds(member.workshop, standing=False).filter(pk=hold_id).first()
    if hold is None:
        raise NotFound("There is no such hold in this workshop.")
    found: Hold = hold
    return found


@for_member(Role.TECHNICIAN, methods=ACTION)
def hold_release(request: HttpRequest, member: Member, hold_id: int) -> HttpResponse:
    hold = get_hold(member, hold_id)
    try:
        holds.release_hold(workshop=member.workshop, hold_id=hold_id, now=timezone.now())
    except DomainError as refused:
        return show_job(request, member, hold.need.job.ref, refused)
    messages.success(request, f"{hold.part.ref} is no longer held.")
    return redirect("job", hold.need.job.ref)


@for_member(Role.TECHNICIAN, methods=FORM)
def hold_fitted(request: HttpRequest, member: Member, hold_id: int) -> HttpResponse:
    hold = get_hold(member, hold_id)
    now = timezone.now()
    form = FittedForm(posted(request), initial={"fitted_on": timezone.localdate(now)})
    if form.is_bound and form.accepts():
        try:
            fittings.report_fitting(
                workshop=member.workshop, hold_id=hold_id, report=form.report(), now=now
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"What happened with {hold.part.ref} is on record.")
            return redirect("job", hold.need.job.ref)
    shown: dict[str, Any] = {
        "form": form,
        "hold": hold,
        "safety_relevant": safety_rules().relevant_kinds.get(hold.need.kind_id, ""),
        "lacking_test": lacking_test(hold.part),
        "promise": warranty.promised(hold.part),
        "cautions": list_cautions(hold.need.job.appliance_id, [hold.need.kind_id]),
    }
    return render(request, "matching/fitted.html", shown, status=form.status)


def whole_number(request: HttpRequest, name: str) -> int:
    """Return a number a button of ours sent. Raises InputRefused for anything else."""
    return int(sent(request, name, forms.IntegerField(min_value=1, max_value=2**62)))


def sent(request: HttpRequest, name: str, field: forms.Field) -> Any:
    """Return what a button of ours sent, as `field` reads it. Raises InputRefused."""
    try:
        return field.clean(request.POST.get(name))
    except forms.ValidationError as bad:
        raise InputRefused("Choose one of those shown.", fields={name: "Choose one."}) from bad
