"""The page of a job's customer, apart from the job's own."""

from datetime import timedelta

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters

from matching import customers, selectors
from workshop.errors import DomainError
from workshop.models import Member, Role
from workshop.web.forms import DayField, PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member

PLAIN = {"autocomplete": "off"}  # the browser is the workshop's, not the customer's


class CustomerForm(PlainForm):
    name = forms.CharField(max_length=120, required=False, widget=forms.TextInput(attrs=PLAIN))
    reach = forms.CharField(
        max_length=200,
        required=False,
        label="How to reach them",
        widget=forms.TextInput(attrs=PLAIN),
        help_text="A telephone number or an address.",
    )
    keep_until = DayField(label="Erase after")


@sensitive_post_parameters()
@for_member(Role.TECHNICIAN, methods=FORM)
def job_customer(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    job = selectors.get_job(member.workshop, ref)
    row = customers.find_customer(member.workshop, ref)
    usual = timezone.localdate() + timedelta(days=customers.USUAL_DAYS)
    initial = {
        "name": row.name if row else "",
        "reach": row.reach if row else "",
        "keep_until": row.keep_until if row else usual,
    }
    form = CustomerForm(posted(request), initial=initial)
    if form.is_bound and form.accepts():
        try:
            customers.note_customer(
                workshop=member.workshop,
                ref=ref,
                member=member,
                now=timezone.now(),
                **form.cleaned_data,
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Noted.")
            return redirect("job-customer", ref)
    shown = {"job": job, "row": row, "form": form}
    return render(request, "matching/customer.html", shown, status=form.status)


@for_member(Role.TECHNICIAN, methods=ACTION)
def job_customer_erase(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    selectors.get_job(member.workshop, ref)
    customers.erase_customer(workshop=member.workshop, ref=ref)
    messages.success(request, "Erased. Backups made before still hold it until they are removed.")
    return redirect("job", ref)
