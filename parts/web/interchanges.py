"""Pages on which part number goes in for which."""

from django import forms
from django.contrib import messages
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from donors.domain.model_numbers import canonical
from parts import numbers, selectors
from parts.web.forms import reusable_kind_choices
from workshop.errors import DomainError
from workshop.members import covers
from workshop.models import Member, Role
from workshop.web.forms import FilterForm, PlainForm, choices_with_any, posted
from workshop.web.gate import ACTION, FORM, for_member
from workshop.web.pages import page_of


class InterchangeFilter(FilterForm):
    text = forms.CharField(label="Number", required=False, max_length=80)
    kind = forms.ChoiceField(
        label="Kind", required=False, choices=lambda: choices_with_any(reusable_kind_choices())
    )


class InterchangeForm(PlainForm):
    kind = forms.ChoiceField(
        label="Kind", choices=lambda: choices_with_any(reusable_kind_choices(), "choose")
    )
    from_number = forms.CharField(
        label="Asked for", max_length=80, help_text="The number a job needs, the older one."
    )
    to_number = forms.CharField(
        label="Goes in for it", max_length=80, help_text="The number that may be fitted instead."
    )
    both_ways = forms.BooleanField(label="Either goes in for the other", required=False)
    note = forms.CharField(label="Note or source", required=False, max_length=200)


@for_member()
def interchange_list(request: HttpRequest, member: Member) -> HttpResponse:
    form = InterchangeFilter(request.GET)
    chosen = form.chosen()
    rows = selectors.list_interchanges(member.workshop)
    if chosen["kind"]:
        rows = rows.filter(kind=chosen["kind"])
    number = canonical(chosen["text"])
    if number:
        rows = rows.filter(
            Q(from_number__canonical__contains=number) | Q(to_number__canonical__contains=number)
        )
    shown = {
        "form": form,
        "page": page_of(request, rows),
        "may_add": covers(member, Role.REVIEWER),
    }
    return render(request, "parts/interchanges.html", shown)


@for_member(Role.REVIEWER, methods=FORM)
def interchange_new(request: HttpRequest, member: Member) -> HttpResponse:
    form = InterchangeForm(posted(request))
    if form.is_bound and form.accepts():
        try:
            numbers.add_interchange(workshop=member.workshop, **form.cleaned_data)
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "The interchange is on record. Jobs are matched anew.")
            return redirect("interchanges")
    return render(request, "parts/interchange_new.html", {"form": form}, status=form.status)


@for_member(Role.REVIEWER, methods=ACTION)
def interchange_remove(request: HttpRequest, member: Member, interchange_id: int) -> HttpResponse:
    numbers.remove_interchange(workshop=member.workshop, interchange_id=interchange_id)
    messages.success(request, "The interchange is off the record. Jobs are matched anew.")
    return redirect("interchanges")
