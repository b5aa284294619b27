"""Pages on donors and on the catalogue of makes and model numbers."""

from typing import Any

from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from donors import selectors, services
from donors.domain.model_numbers import canonical
from donors.models import Donor, ModelNumber
from donors.web.forms import (
    DateCodeForm,
    DonorFilter,
    MakeForm,
    ModelFilter,
    ModelNumberForm,
    PatternForm,
)
from workshop.errors import DomainError
from workshop.members import covers
from workshop.models import Member, Role
from workshop.web.forms import posted
from workshop.web.gate import FORM, for_member
from workshop.web.pages import page_of


@for_member()
def donor_list(request: HttpRequest, member: Member) -> HttpResponse:
    form = DonorFilter(request.GET)
    rows = filtered_donors(selectors.list_donors(member.workshop), **form.chosen())
    return render(request, "donors/list.html", {"form": form, "page": page_of(request, rows)})


def filtered_donors(
    rows: "QuerySet[Donor]", *, text: str, appliance: str, state: str
) -> "QuerySet[Donor]":
    """Return the donors a filter leaves. Text is sought in references, makes and numbers."""
    if appliance:
        rows = rows.filter(appliance=appliance)
    if state:
        rows = rows.filter(state=state)
    if text:
        said = Q(ref__icontains=text) | Q(make__name__icontains=text)
        said |= Q(make_as_read__icontains=text) | Q(serial_number__icontains=text)
        number = canonical(text)
        rows = rows.filter(said | Q(model_canonical__contains=number) if number else said)
    return rows


@for_member()
def make_list(request: HttpRequest, member: Member) -> HttpResponse:
    shown = {
        "page": page_of(request, selectors.list_makes(member.workshop)),
        "may_add": covers(member, Role.REVIEWER),
    }
    return render(request, "donors/makes.html", shown)


@for_member(Role.REVIEWER, methods=FORM)
def make_new(request: HttpRequest, member: Member) -> HttpResponse:
    form = MakeForm(posted(request))
    if form.is_bound and form.accepts():
        try:
            make = services.save_make(workshop=member.workshop, **form.cleaned_data)
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"The make {make.name} was added.")
            return redirect("makes")
    return render(request, "donors/make_new.html", {"form": form}, status=form.status)


@for_member(Role.REVIEWER, methods=FORM)
def make_pattern(request: HttpRequest, member: Member, make_id: int) -> HttpResponse:
    """Show what a make's known numbers propose, and store what the reviewer makes of it."""
    make = selectors.get_make_by_id(member.workshop, make_id)
    proposal = selectors.propose_pattern(member.workshop, make_id)
    form = PatternForm(posted(request), initial={"pattern": make.pattern or proposal.pattern})
    if form.is_bound and form.accepts():
        try:
            services.set_pattern(
                workshop=member.workshop, make_id=make_id, pattern=form.cleaned_data["pattern"]
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(
                request,
                f"The pattern of {make.name} is stored. Its machines are read again.",
            )
            return redirect("makes")
    shown = {"form": form, "make": make, "proposal": proposal}
    return render(request, "donors/make_pattern.html", shown, status=form.status)


@for_member(Role.REVIEWER, methods=FORM)
def make_date_code(request: HttpRequest, member: Member, make_id: int) -> HttpResponse:
    """Store how a make writes its build dates."""
    make = selectors.get_make_by_id(member.workshop, make_id)
    known = {"date_code": make.date_code, "date_code_start": make.date_code_start}
    form = DateCodeForm(posted(request), initial=known)
    if form.is_bound and form.accepts():
        given = form.cleaned_data
        try:
            services.set_date_code(
                workshop=member.workshop,
                make_id=make_id,
                scheme=given["date_code"],
                start=given["date_code_start"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"How {make.name} writes its build dates is stored.")
            return redirect("makes")
    shown = {"form": form, "make": make}
    return render(request, "donors/make_date_code.html", shown, status=form.status)


@for_member()
def model_list(request: HttpRequest, member: Member) -> HttpResponse:
    form = ModelFilter(request.GET, workshop=member.workshop)
    rows = selectors.list_model_numbers(member.workshop).select_related("appliance")
    shown = {
        "form": form,
        "page": page_of(request, filtered_models(rows, **form.chosen())),
        "may_add": covers(member, Role.REVIEWER),
    }
    return render(request, "donors/models.html", shown)


def filtered_models(
    rows: "QuerySet[ModelNumber]", *, text: str, make: Any
) -> "QuerySet[ModelNumber]":
    """Return the known numbers a filter leaves; text is sought in numbers, names and families."""
    if make:
        rows = rows.filter(make=make)
    if text:
        said = Q(family__iexact=text)
        number = canonical(text)
        if number:
            said |= Q(canonical__contains=number) | Q(aliases__canonical__contains=number)
        rows = rows.filter(said).distinct()
    return rows


@for_member(Role.REVIEWER, methods=FORM)
def model_new(request: HttpRequest, member: Member) -> HttpResponse:
    form = ModelNumberForm(posted(request), workshop=member.workshop, initial=request.GET.dict())
    if form.is_bound and form.accepts():
        try:
            model = services.add_model_number(workshop=member.workshop, **form.cleaned_data)
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(
                request,
                f"{model.make.name} {model.number} was added. Machines whose plate may say it "
                "are read again.",
            )
            return redirect("models")
    return render(request, "donors/model_new.html", {"form": form}, status=form.status)
