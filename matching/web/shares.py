"""Who gets what: the last allocation, its proposals and what people decide about them."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone

from matching import fittings, proposals, selectors, share_views, standing_proposals, warranty
from matching.models import Job, Outcome
from matching.proposals import Kept
from matching.web.jobs import show_job
from parts.web.forms import reusable_kind_choices
from workshop.errors import DomainError, NotFound
from workshop.members import covers, why_not
from workshop.models import Member, Role
from workshop.web.forms import LongText, PastDayField, PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member
from workshop.web.pages import page_of

SHOWS = {
    "proposed": "Proposed",
    "empty": "Jobs that go empty",
    "kept": "Kept out by hand",
    "let-go": "Declined or lapsed",
}


class KeepForm(PlainForm):
    """What is kept out of the allocation."""

    fields_of_service: Mapping[str, str] = {"need_id": "need"}

    part_ref = forms.CharField(required=False, max_length=130, label="Part")
    need = forms.IntegerField(required=False, min_value=1, max_value=2**62, label="Need (number)")
    note = forms.CharField(max_length=200, label="Why")

    def kept(self) -> Kept:
        given = self.cleaned_data
        return Kept(given["part_ref"].strip(), given["need"], given["note"])


class UrgencyForm(PlainForm):
    """How urgent a job is."""

    urgency = forms.TypedChoiceField(choices=Job.Urgency.choices, coerce=int)
    why = forms.CharField(
        required=False,
        max_length=200,
        label="Why it is urgent",
        help_text="Such as a freezer, medical need, a family with a baby.",
    )


class FailedForm(PlainForm):
    """A part that had worked failed later."""

    failed_on = PastDayField(label="Failed on")
    note = LongText(required=False, rows=2, max_length=2000)


class DaysForm(PlainForm):
    """Days of warranty on a grade or a kind; blank gives the guide back."""

    grade = forms.ChoiceField(
        required=False, choices=[("", "no grade: a part kind"), *warranty.GRADES.items()]
    )
    kind = forms.ChoiceField(required=False, label="Part kind")
    days = forms.IntegerField(
        required=False,
        min_value=0,
        max_value=warranty.MOST_DAYS,
        help_text="Blank: as the guide has it.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = [("", "no part kind: a grade"), *reusable_kind_choices()]
        self.fields["kind"].choices = kinds  # type: ignore[attr-defined]


@for_member()
def allocation(request: HttpRequest, member: Member) -> HttpResponse:
    return _show(request, member)


def _show(
    request: HttpRequest,
    member: Member,
    *,
    form: KeepForm | None = None,
    refused: DomainError | None = None,
) -> HttpResponse:
    last = share_views.last_of(member.workshop)
    part = "kept" if form else request.GET.get("show", "")
    lists: dict[str, Any] = {
        "proposed": share_views.list_standing(member.workshop),
        "empty": last.passed if last else [],
        "kept": share_views.list_kept(member.workshop),
        "let-go": share_views.list_let_go(member.workshop),
    }
    showing = part if part in lists else "proposed"
    page = page_of(request, lists[showing])
    shown = {
        "last": last,
        "running": standing_proposals.run_asked(member.workshop_id),
        "showing": showing,
        "shows": SHOWS,
        "page": page,
        "passed": share_views.passed_rows(member.workshop, list(page))
        if showing == "empty"
        else [],
        "form": form or KeepForm(),
        "refused": refused,
        "limits": share_views.LIMITS,
        "may_act": covers(member, Role.TECHNICIAN),
        "not_allowed": why_not(member, Role.TECHNICIAN),
    }
    status = refused.status if refused else form.status if form else 200
    return render(request, "matching/allocation.html", shown, status=status)


@for_member(Role.TECHNICIAN, methods=ACTION)
def allocation_run(request: HttpRequest, member: Member) -> HttpResponse:
    proposals.work_out_now(workshop=member.workshop)
    messages.success(request, "It is being worked out. Load the page again in a moment.")
    return redirect("allocation")


@for_member(Role.TECHNICIAN, methods=ACTION)
def proposal_accept(request: HttpRequest, member: Member, proposal_id: int) -> HttpResponse:
    proposal = share_views.get_proposal(member.workshop, proposal_id)
    ref = proposal.need.job.ref
    try:
        hold = proposals.accept(
            workshop=member.workshop, proposal_id=proposal_id, member=member, now=timezone.now()
        )
    except DomainError as refused:
        return show_job(request, member, ref, refused)
    until = timezone.localtime(hold.expires_at)
    messages.success(request, f"{hold.part.ref} is held for {ref} until {until:%Y-%m-%d %H:%M}.")
    return redirect("job", ref)


@for_member(Role.TECHNICIAN, methods=ACTION)
def proposal_decline(request: HttpRequest, member: Member, proposal_id: int) -> HttpResponse:
    proposal = share_views.get_proposal(member.workshop, proposal_id)
    ref = proposal.need.job.ref
    try:
        proposals.decline(
            workshop=member.workshop,
            proposal_id=proposal_id,
            member=member,
            note=request.POST.get("note", ""),
            now=timezone.now(),
        )
    except DomainError as refused:
        return show_job(request, member, ref, refused)
    messages.success(request, f"{proposal.part.ref} falls to the next job that can use it.")
    return redirect("job", ref)


@for_member(Role.TECHNICIAN, methods=ACTION)
def proposal_reopen(request: HttpRequest, member: Member, proposal_id: int) -> HttpResponse:
    try:
        proposals.reopen(workshop=member.workshop, proposal_id=proposal_id, now=timezone.now())
    except NotFound:
        raise
    except DomainError as refused:
        return _show(request, member, refused=refused)
    messages.success(request, "It may be proposed again.")
    return redirect(f"{reverse('allocation')}?show=let-go")


@for_member(Role.TECHNICIAN, methods=ACTION)
def keep_back(request: HttpRequest, member: Member) -> HttpResponse:
    form = KeepForm(request.POST)
    if form.accepts():
        try:
            proposals.keep_back(
                workshop=member.workshop, kept=form.kept(), member=member, now=timezone.now()
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "It is kept out of the allocation until you undo it.")
            return redirect(f"{reverse('allocation')}?show=kept")
    return _show(request, member, form=form)


@for_member(Role.TECHNICIAN, methods=ACTION)
def keep_undo(request: HttpRequest, member: Member, kept_id: int) -> HttpResponse:
    try:
        proposals.undo_keeping(
            workshop=member.workshop, kept_id=kept_id, member=member, now=timezone.now()
        )
    except NotFound:
        raise
    except DomainError as refused:
        return _show(request, member, refused=refused)
    messages.success(request, "It is in the allocation again.")
    return redirect("allocation")


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_urgency(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    form = UrgencyForm(request.POST)
    selectors.get_job(member.workshop, ref)
    try:
        given = form.cleaned_data if form.is_valid() else {"urgency": -1, "why": ""}
        proposals.set_urgency(
            workshop=member.workshop, ref=ref, member=member, now=timezone.now(), **given
        )
    except DomainError as refused:
        return show_job(request, member, ref, refused)
    messages.success(request, f"How urgent {ref} is has been noted.")
    return redirect("job", ref)


@for_member(Role.TECHNICIAN, methods=FORM)
def outcome_failed(request: HttpRequest, member: Member, outcome_id: int) -> HttpResponse:
    outcome = share_views.get_outcome(member.workshop, outcome_id)
    now = timezone.now()
    form = FailedForm(posted(request), initial={"failed_on": timezone.localdate(now)})
    if form.is_bound and form.accepts():
        try:
            done = fittings.report_failure(
                workshop=member.workshop, outcome_id=outcome_id, now=now, **form.cleaned_data
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, _failure_said(done, form.cleaned_data["failed_on"]))
            if outcome.need:
                return redirect("job", outcome.need.job.ref)
            return redirect("part", outcome.part.ref) if outcome.part else redirect("home")
    return render(
        request,
        "matching/outcome_failed.html",
        {"form": form, "outcome": outcome, "law": warranty.LAW},
        status=form.status,
    )


def _failure_said(outcome: Outcome, failed_on: Any) -> str:
    after = f"It failed {outcome.days_to_failure} days after it was fitted."
    if outcome.need is not None:
        after = f"{after} The job stays closed until you open it again below."
    if outcome.part is None or outcome.part.warranty_until is None:
        return f"{after} It had no warranty here. {warranty.LAW}"
    until = outcome.part.warranty_until
    if warranty.within(outcome.part, day=failed_on):
        return f"{after} It is under warranty until {until}."
    return f"{after} Its warranty here ended on {until}. {warranty.LAW}"


@for_member(Role.OWNER, methods=FORM)
def warranty_page(request: HttpRequest, member: Member) -> HttpResponse:
    form = DaysForm(posted(request))
    if form.is_bound and form.accepts():
        try:
            warranty.set_days(workshop=member.workshop, **form.cleaned_data)
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "The days of warranty are noted.")
            return redirect("warranty")
    shown = {
        "form": form,
        "promises": warranty.list_promises(member.workshop),
        "law": warranty.LAW,
    }
    return render(request, "matching/warranty.html", shown, status=form.status)
