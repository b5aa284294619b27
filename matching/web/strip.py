"""The strip page of a donor: what to take off, in which order, and how it went."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone

from donors.selectors import get_donor
from matching.strip_planning import DonorPlan, StepLine, plan_donor
from matching.web.jobs import sent
from matching.web.strip_drawing import draw
from matching.web.strip_forms import CorrectForm, FinishForm, LeaveOutForm, WithinForm
from parts import stripping
from parts.models import Caution, Photo, StepRecord
from parts.photos import photos_by_step
from parts.selectors import list_cautions
from workshop.certificates import list_certificates
from workshop.errors import DomainError
from workshop.members import list_active
from workshop.models import Certificate, Member
from workshop.web.forms import PlainForm
from workshop.web.gate import ACTION, for_member

STEP = forms.SlugField(max_length=40)


@dataclass(frozen=True, slots=True)
class Card:
    """One step as the page shows it. form: how it went, on opened cards only."""

    line: StepLine
    cautions: tuple[Caution, ...]
    spent_min: float
    mine_runs: bool
    form: FinishForm | None
    leave_form: LeaveOutForm | None
    photos: list[Photo]


@for_member()
def strip_page(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    return show_strip(request, member, ref)


def show_strip(
    request: HttpRequest,
    member: Member,
    ref: str,
    *,
    refused: DomainError | None = None,
    typed: Mapping[str, PlainForm] | None = None,
) -> HttpResponse:
    """Return the page; after a refused action with its sentence, what was typed, and status."""
    now = timezone.now()
    within = WithinForm(_asked(request))
    limit = within.cleaned_data["within_min"] if within.accepts() else None
    found = plan_donor(member.workshop, ref, on=timezone.localdate(now), within_min=limit)
    cautions = list_cautions(found.donor.appliance_id, _kinds(found))
    deal = _Deal(request, member, found, cautions, now, typed or {})
    status = refused.status if refused else within.status
    shown = {
        "donor": found.donor,
        "found": found,
        "within": within,
        "limit": limit,
        "cards": [deal.card(line) for line in found.lines],
        "others": [deal.card(line) for line in found.others],
        "general": [one for one in cautions if not one.kind_id],
        "correct_forms": deal.correct_forms(),
        "drawing": draw(found),
        "refused": refused,
        "now": now,
        "wanted": sum(one.value.wanted for line in found.lines for one in line.parts),
    }
    return render(request, "matching/strip.html", shown, status=status)


def _asked(request: HttpRequest) -> QueryDict:
    return request.GET if request.method in {"GET", "HEAD"} else request.POST


def _kinds(found: DonorPlan) -> set[str]:
    lines = (*found.lines, *found.others)
    return {one.value.part.kind_id for line in lines for one in line.parts}


class _Deal:
    """Makes the cards. Only the next step, what runs, and what was asked for are opened."""

    def __init__(
        self,
        request: HttpRequest,
        member: Member,
        found: DonorPlan,
        cautions: list[Caution],
        now: datetime,
        typed: Mapping[str, PlainForm],
    ) -> None:
        self.member, self.found, self.now, self.typed = member, found, now, typed
        self.by_kind: dict[str, list[Caution]] = {}
        for one in cautions:
            if one.kind_id:
                self.by_kind.setdefault(one.kind_id, []).append(one)
        self.opened = {request.GET.get("step", ""), *typed}
        ready = [line.step.slug for line in found.lines if not line.first]
        self.opened |= set(ready[:1])
        self.opened |= {line.step.slug for line in (*found.lines, *found.others) if line.running}
        self.photos = photos_by_step(found.donor)
        self.members: list[Member] = list_active(member.workshop)
        self.certificates: list[Certificate] = list(list_certificates(member.workshop))

    def card(self, line: StepLine) -> Card:
        kinds = {one.value.part.kind_id for one in line.parts}
        opened = line.step.slug in self.opened and not line.first
        return Card(
            line=line,
            cautions=tuple(one for kind in sorted(kinds) for one in self.by_kind.get(kind, ())),
            spent_min=line.spent_min(self.now),
            mine_runs=any(span.member_id == self.member.pk for span in line.running),
            form=self._form(line) if opened else None,
            leave_form=self._leave_form(line) if line.step.slug in self.opened else None,
            photos=self.photos.get(line.step.slug, []),
        )

    def _form(self, line: StepLine) -> FinishForm:
        typed = self.typed.get(line.step.slug)
        return typed if isinstance(typed, FinishForm) else self.finish_form(line)

    def _leave_form(self, line: StepLine) -> LeaveOutForm:
        typed = self.typed.get(line.step.slug)
        return typed if isinstance(typed, LeaveOutForm) else LeaveOutForm()

    def finish_form(self, line: StepLine, data: Any = None) -> FinishForm:
        return FinishForm(
            data,
            line=line,
            members=self.members,
            certificates=self.certificates,
            member=self.member,
        )

    def correct_forms(self) -> list[tuple[Any, CorrectForm | None]]:
        """Return the steps past, each on record with the form that corrects its minutes."""
        rows = []
        for past in (*self.found.past, *self.found.absent):
            form = None
            if past.record is not None and past.record.came == StepRecord.Came.DONE:
                typed = self.typed.get(past.step.slug)
                initial = {"minutes": past.record.said_min}
                auto_id = f"correct_{past.step.slug}_%s"
                form = (
                    typed
                    if isinstance(typed, CorrectForm)
                    else CorrectForm(initial=initial, auto_id=auto_id)
                )
            rows.append((past, form))
        return rows


def _back(request: HttpRequest, ref: str, anchor: str = "") -> HttpResponse:
    """Return to the page with the minutes that were asked for."""
    within = WithinForm(request.POST)
    query = ""
    if within.is_valid() and within.cleaned_data["within_min"] is not None:
        query = "?" + urlencode({"within_min": f"{within.cleaned_data['within_min']:g}"})
    return redirect(reverse("donor-strip", args=[ref]) + query + (f"#{anchor}" if anchor else ""))


def _act(
    request: HttpRequest, member: Member, ref: str, act: Callable[[str], str], anchor: str = ""
) -> HttpResponse:
    """Do one thing to the step a button named, then show the page with what came of it."""
    get_donor(member.workshop, ref)
    try:
        step = sent(request, "step", STEP)
        said = act(step)
    except DomainError as refused:
        return show_strip(request, member, ref, refused=refused)
    messages.success(request, said)
    return _back(request, ref, anchor or f"step-{step}")


@for_member(methods=ACTION)
def strip_start(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    def act(step: str) -> str:
        span = stripping.start_step(
            workshop=member.workshop,
            donor_ref=ref,
            step=step,
            member=member,
            now=timezone.now(),
        )
        return f"Your timer runs since {timezone.localtime(span.started_at):%H:%M}."

    return _act(request, member, ref, act)


@for_member(methods=ACTION)
def strip_stop(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    def act(step: str) -> str:
        stripping.stop_step(
            workshop=member.workshop,
            donor_ref=ref,
            step=step,
            member=member,
            now=timezone.now(),
        )
        return "Your timer is stopped. Start it again to go on; its times add up."

    return _act(request, member, ref, act)


@for_member(methods=ACTION)
def strip_reopen(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    def act(step: str) -> str:
        stripping.reopen_step(workshop=member.workshop, donor_ref=ref, step=step)
        return "The step is open again. Parts that came out stay out."

    return _act(request, member, ref, act)


@for_member(methods=ACTION)
def strip_finish(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    get_donor(member.workshop, ref)
    now = timezone.now()
    try:
        step = sent(request, "step", STEP)
        found = plan_donor(member.workshop, ref, on=timezone.localdate(now))
        line = next((one for one in (*found.lines, *found.others) if one.step.slug == step), None)
        if line is None:
            raise stripping.why_not_open(member.workshop, ref, step)
    except DomainError as refused:
        return show_strip(request, member, ref, refused=refused)
    form = _Deal(request, member, found, [], now, {}).finish_form(line, request.POST)
    if form.accepts():
        try:
            stripping.finish_step(
                workshop=member.workshop,
                donor_ref=ref,
                step=step,
                member=member,
                now=now,
                report=form.report(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"“{line.step.name}” is on record.")
            return _back(request, ref, "plan")
    return _with_typed(request, member, ref, step, form)


@for_member(methods=ACTION)
def strip_leave_out(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    get_donor(member.workshop, ref)
    form = LeaveOutForm(request.POST)
    step = ""
    if form.accepts():
        try:
            step = sent(request, "step", STEP)
            record = stripping.leave_out_step(
                workshop=member.workshop,
                donor_ref=ref,
                step=step,
                came=StepRecord.Came(form.cleaned_data["came"]),
                member=member,
                now=timezone.now(),
                found=form.cleaned_data["found"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"Noted: {record.get_came_display()}. Planned anew.")
            return _back(request, ref, "plan")
    return _with_typed(request, member, ref, step, form)


@for_member(methods=ACTION)
def strip_minutes(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    get_donor(member.workshop, ref)
    form, step = CorrectForm(request.POST), ""
    if form.accepts():
        try:
            step = sent(request, "step", STEP)
            stripping.correct_minutes(
                workshop=member.workshop,
                donor_ref=ref,
                step=step,
                minutes=form.cleaned_data["minutes"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "The minutes are noted.")
            return _back(request, ref, "done")
    return _with_typed(request, member, ref, step, form)


def _with_typed(
    request: HttpRequest, member: Member, ref: str, step: str, form: PlainForm
) -> HttpResponse:
    """Show the page with a form as it was typed; where its step has no card, the sentence."""
    said = " ".join(str(one) for one in form.non_field_errors())
    refused = DomainError(said)
    refused.status = form.status  # type: ignore[misc]
    step = step or request.POST.get("step", "")
    return show_strip(request, member, ref, refused=refused, typed={step: form})
