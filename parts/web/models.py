"""The page of one known model number: what is known of it, and what its maker must supply."""

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from donors import selectors, services
from donors.models import ModelNumber
from parts.domain.spare_part_duties import CAUTION
from parts.duties import Sold, duties
from workshop.domain.intervals import from_ends
from workshop.domain.spans import write_span
from workshop.errors import DomainError
from workshop.members import why_not
from workshop.models import Member, Role
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import FORM, for_member


class LastSoldForm(PlainForm):
    """When the last unit of a model was placed on the market."""

    last_sold = forms.CharField(
        required=False,
        max_length=10,
        label="Last placed on the market",
        help_text="A year, a month or a day: 2022, 2022-06, 2022-06-30. Blank: not known.",
        widget=forms.TextInput(attrs={"size": 10}),
    )


@for_member()
def model_page(request: HttpRequest, member: Member, model_id: int) -> HttpResponse:
    return _show(request, member, selectors.get_model_number(member.workshop, model_id))


@for_member(Role.TECHNICIAN, methods=FORM)
def model_last_sold(request: HttpRequest, member: Member, model_id: int) -> HttpResponse:
    model = selectors.get_model_number(member.workshop, model_id)
    form = LastSoldForm(posted(request), initial={"last_sold": _known(model)})
    if form.is_bound and form.accepts():
        try:
            services.set_last_sold(
                workshop=member.workshop, model_id=model_id, text=form.cleaned_data["last_sold"]
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Noted.")
            return redirect("model", model_id)
    return _show(request, member, model, form)


def _known(model: ModelNumber) -> str:
    return write_span(from_ends(model.last_sold_from, model.last_sold_to))


def _show(
    request: HttpRequest, member: Member, model: ModelNumber, form: LastSoldForm | None = None
) -> HttpResponse:
    form = form or LastSoldForm(initial={"last_sold": _known(model)})
    today = timezone.localdate(timezone.now())
    shown = {
        "model": model,
        "known": _known(model),
        "form": form,
        "duties": duties(Sold.of(model.appliance_id or "", model), on=today),
        "caution": CAUTION,
        "not_allowed": why_not(member, Role.TECHNICIAN),
    }
    return render(request, "parts/model.html", shown, status=form.status)
