"""Pages on taking machines in and on the stock of parts."""

from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone

from donors.build_readings import CodeAsked
from donors.domain.model_numbers import canonical
from donors.selectors import get_donor
from donors.web.builds import build_page, chosen_day, what_was_read
from donors.web.forms import IntakeForm
from parts import selectors, services
from parts.bench_tests import charges_of
from parts.domain.short_codes import tidy
from parts.models import Part
from parts.web import plate_photos
from parts.web.forms import (
    LoosePartForm,
    PartFilter,
    RemoveForm,
    describe_form,
)
from workshop.errors import DomainError
from workshop.models import Member
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member
from workshop.web.pages import page_of


@for_member(methods=FORM)
def donor_new(request: HttpRequest, member: Member) -> HttpResponse:
    initial = {"received_on": timezone.localdate(), **request.GET.dict()}
    typed = plate_photos.typed(request, member.workshop)
    form = IntakeForm(typed.data, workshop=member.workshop, initial=initial)
    if typed.reads:
        form.show_again(typed.refused)
    elif form.is_bound and form.accepts():
        given = form.cleaned_data
        try:
            donor = services.take_in_donor(
                workshop=member.workshop,
                plate=form.plate(),
                received_on=given["received_on"],
                cause=form.cause_slug(),
                note=given["note"],
                no_plate=given["no_plate"],
                confirm_mismatch=given["confirm_mismatch"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(
                request,
                f"Taken in as {donor.ref}. Its parts are on record, and waiting jobs are "
                "being looked through.",
            )
            return redirect("donor", donor.ref)
    shown = {"form": form, "cautions": selectors.list_cautions(""), **typed.context()}
    return render(request, "parts/donor_new.html", shown, status=form.status)


@for_member(methods=FORM)
def donor_build(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    def write(asked: CodeAsked, replace: bool) -> object:
        return services.date_donor(workshop=member.workshop, ref=ref, asked=asked, replace=replace)

    donor = get_donor(member.workshop, ref)
    return build_page(request, donor, write=write, back=reverse("donor", args=[ref]))


@for_member(methods=ACTION)
def donor_build_choose(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    get_donor(member.workshop, ref)
    start = chosen_day(request)
    donor = services.choose_donor_build(workshop=member.workshop, ref=ref, start=start)
    messages.success(request, what_was_read(donor))
    return redirect("donor", ref)


@for_member()
def part_list(request: HttpRequest, member: Member) -> HttpResponse:
    form = PartFilter(request.GET)
    rows = filtered_parts(selectors.list_parts(member.workshop), **form.chosen())
    return render(request, "parts/list.html", {"form": form, "page": page_of(request, rows)})


def filtered_parts(
    rows: "QuerySet[Part]", *, text: str, kind: str, grade: str, state: str
) -> "QuerySet[Part]":
    """Return the parts a filter leaves. Text is sought in references, numbers and bins."""
    exactly = {"kind": kind, "grade": grade, "state": state}
    rows = rows.filter(**{name: value for name, value in exactly.items() if value})
    if text:
        said = Q(ref__icontains=text) | Q(bin__iexact=text) | Q(short_code=tidy(text))
        number = canonical(text)
        rows = rows.filter(said | Q(number_canonical__contains=number) if number else said)
    return rows


@for_member(methods=FORM)
def part_new(request: HttpRequest, member: Member) -> HttpResponse:
    form = LoosePartForm(
        posted(request),
        initial={"received_on": timezone.localdate(), **request.GET.dict()},
    )
    if form.is_bound and form.accepts():
        given = form.cleaned_data
        try:
            part = services.add_loose_part(
                workshop=member.workshop,
                kind=given["kind"],
                position=given["position"],
                received_on=given["received_on"],
                facts=form.facts(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"Added to stock as {part.ref}.")
            return redirect("part", part.ref)
    return render(request, "parts/part_new.html", {"form": form}, status=form.status)


@for_member(methods=FORM)
def part_describe(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    part = selectors.get_part(member.workshop, ref)
    form = describe_form(part, posted(request))
    if form.is_bound and form.accepts():
        try:
            services.describe_part(workshop=member.workshop, ref=ref, facts=form.facts())
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"Noted on {ref}. Its matches are worked out anew.")
            return redirect("part", ref)
    return _act_page(request, part, form, "describe")


@for_member(methods=FORM)
def part_remove(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    part = selectors.get_part(member.workshop, ref)
    form = remove_form(posted(request))
    if form.is_bound and form.accepts():
        try:
            services.remove_part(
                workshop=member.workshop,
                ref=ref,
                removed_on=form.cleaned_data["removed_on"],
                facts=form.facts(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"{ref} is out of its machine.")
            return redirect("part", ref)
    return _act_page(request, part, form, "remove")


def remove_form(data: object = None) -> RemoveForm:
    return RemoveForm(data, initial={"removed_on": timezone.localdate()}, auto_id="remove_%s")


def _act_page(request: HttpRequest, part: Part, form: PlainForm, act: str) -> HttpResponse:
    shown = {
        "part": part,
        "form": form,
        "act": act,
        "cautions": selectors.list_cautions(
            part.donor.appliance_id if part.donor else "", [part.kind_id]
        ),
        "charges": charges_of(part),
    }
    return render(request, "parts/part_act.html", shown, status=form.status)
