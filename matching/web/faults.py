"""The page of a job's fault: signs, suspects, checks, what is left, and what it was."""

from collections.abc import Callable

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone

from matching import selectors
from matching.domain.diagnosis.diagnosing import PROPOSED_FROM
from matching.faults import answers, closing, needs, signs, tables
from matching.faults.views import FaultView, fault_of, proposals
from matching.models import FaultFound, Job
from matching.services import NeedFacts
from matching.web.fault_forms import FoundForm
from matching.web.jobs import sent, whole_number
from parts.reference import kinds
from parts.selectors import list_cautions
from workshop.errors import DomainError
from workshop.members import covers, why_not
from workshop.models import Member, Role
from workshop.web.gate import ACTION, for_member

MOST_LIKELY = 4


@for_member()
def job_fault(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    return show_fault(request, member, ref)


def show_fault(
    request: HttpRequest,
    member: Member,
    ref: str,
    *,
    refused: DomainError | None = None,
    found_form: FoundForm | None = None,
) -> HttpResponse:
    """Return the page; after a refused action with its sentence and status."""
    job = selectors.get_job(member.workshop, ref)
    view = fault_of(member.workshop, job)
    status = refused.status if refused else found_form.status if found_form else 200
    shown = {
        "job": job,
        "view": view,
        "proposals": proposals(member.workshop, view, on=timezone.localdate()),
        "proposed_from": PROPOSED_FROM,
        "needed": [need for need in job.needs.all() if need.state != "withdrawn"],
        "choosable": _choosable(view),
        "other_parts": _other_parts(view),
        "found_form": found_form or _found_form(view),
        "cautions": list_cautions(job.appliance_id),
        "refused": refused,
        "not_allowed": why_not(member, Role.TECHNICIAN),
        "may_edit_table": covers(member, Role.REVIEWER),
    }
    return render(request, "matching/job_fault.html", shown, status=status)


def _choosable(view: FaultView) -> list[tuple[str, str]]:
    noted = {one.sign.symptom for one in view.signs}
    table = view.table.symptoms.values()
    return [(one.slug, one.name) for one in table if one.slug not in noted]


def _other_parts(view: FaultView) -> list[tuple[str, str]]:
    """Return the kinds a person may name beside those proposed, none that is never reused."""
    proposed = (
        {one.slug for one in view.diagnosis.suspects if one.is_proposed}
        if view.diagnosis
        else set()
    )
    needed = {need.kind_id for need in view.job.needs.all() if need.state != "withdrawn"}
    return [
        (kind, name)
        for kind, name in tables.parts_of(view.job.appliance_id).items()
        if kind not in proposed | needed and not kinds()[kind].never_reused
    ]


def _found_form(view: FaultView, data: object = None) -> FoundForm:
    likely = [one.suspect.slug for one in view.listed][:MOST_LIKELY]
    return FoundForm(data, appliance=view.job.appliance_id, likely=likely)


Act = Callable[[HttpRequest, Member, str], str]


def _action(act: Act) -> Callable[..., HttpResponseBase]:
    """Return a view that does one thing to a job's fault and goes back to its page."""

    @for_member(Role.TECHNICIAN, methods=ACTION)
    def view(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
        selectors.get_job(member.workshop, ref)
        try:
            said = act(request, member, ref)
        except DomainError as refused:
            return show_fault(request, member, ref, refused=refused)
        messages.success(request, said)
        return redirect("job-fault", ref)

    return view


def _choose(request: HttpRequest, member: Member, ref: str) -> str:
    symptom = sent(request, "symptom", forms.CharField(max_length=80))
    signs.choose_symptom(
        workshop=member.workshop, ref=ref, symptom=symptom, member=member, now=timezone.now()
    )
    return "Noted. The odds and the checks follow it."


def _code(request: HttpRequest, member: Member, ref: str) -> str:
    sign = signs.note_code(
        workshop=member.workshop,
        ref=ref,
        code=request.POST.get("code", "")[:200],
        member=member,
        now=timezone.now(),
    )
    return f"Noted that it shows {sign.code}."


def _words(request: HttpRequest, member: Member, ref: str) -> str:
    found = signs.read_words_again(
        workshop=member.workshop, ref=ref, member=member, now=timezone.now()
    )
    if found:
        return f"The customer's words name {len(found)} more."
    return "The customer's words name nothing new. Choose what it does from the list."


def _remove(request: HttpRequest, member: Member, ref: str) -> str:
    signs.remove_sign(
        workshop=member.workshop,
        ref=ref,
        sign_id=whole_number(request, "sign"),
        member=member,
        now=timezone.now(),
    )
    return "Taken back. It stays on record."


def _answer(request: HttpRequest, member: Member, ref: str) -> str:
    found = answers.answer_check(
        workshop=member.workshop,
        ref=ref,
        check=sent(request, "check", forms.CharField(max_length=80)),
        answer=sent(request, "answer", forms.CharField(max_length=40)),
        member=member,
        now=timezone.now(),
    )
    return f"Noted: {found.says}. The odds follow it."


def _undo(request: HttpRequest, member: Member, ref: str) -> str:
    answers.undo_answer(
        workshop=member.workshop,
        ref=ref,
        answer_id=whole_number(request, "answer"),
        member=member,
        now=timezone.now(),
    )
    return "Taken back: the check counts as not done."


def _needs(request: HttpRequest, member: Member, ref: str) -> str:
    chosen = [*request.POST.getlist("kind"), request.POST.get("other", "")]
    wanted = [
        NeedFacts(kind=kind, position=request.POST.get(f"position-{kind}", "")[:40])
        for kind in dict.fromkeys(chosen)
        if kind
    ]
    made = needs.make_needs(workshop=member.workshop, ref=ref, wanted=wanted)
    names = ", ".join(need.kind.name.lower() for need in made)
    return f"{ref} needs now: {names}. The stock is being searched."


job_fault_sign = _action(_choose)
job_fault_code = _action(_code)
job_fault_words = _action(_words)
job_fault_sign_remove = _action(_remove)
job_fault_answer = _action(_answer)
job_fault_undo = _action(_undo)
job_fault_needs = _action(_needs)


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_fault_found(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    job = selectors.get_job(member.workshop, ref)
    form = _found_form(fault_of(member.workshop, job), request.POST)
    if form.accepts():
        try:
            found = closing.say_found(
                workshop=member.workshop,
                ref=ref,
                member=member,
                now=timezone.now(),
                **form.cleaned_data,
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, _said(found, job))
            return redirect("job-fault", ref)
    return show_fault(request, member, ref, found_form=form)


def _said(found: FaultFound, before: Job) -> str:
    name = tables.suspect_name(found.suspect, before.appliance_id)
    if before.state == Job.State.OPEN:
        return f"{before.ref} is done: it was {name}. What was held for it is free."
    return f"On record: it was {name}."
