"""A part leaves the stock by hand: sold over the counter, or scrapped."""

from collections.abc import Callable

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from matching import parting
from parts.models import Part
from parts.selectors import get_part, list_cautions
from parts.services import Sale
from workshop.errors import DomainError
from workshop.models import Member, Role
from workshop.web.forms import LongText, MoneyField, PastDayField, PlainForm, posted
from workshop.web.gate import FORM, for_member


class SellForm(PlainForm):
    """Selling a part over the counter."""

    price = MoneyField(label="Sold for", help_text="Such as 12.50 or 12,50.")
    sold_on = PastDayField(label="Sold on")
    note = LongText(required=False, rows=2, max_length=2000)

    def sale(self) -> Sale:
        given = self.cleaned_data
        return Sale(given["price"], given["sold_on"], given["note"])


class ScrapForm(PlainForm):
    """Scrapping a part without a bench test."""

    why = forms.CharField(max_length=200, label="Why it is scrapped")
    was_bad = forms.BooleanField(
        required=False,
        label="It did not work",
        help_text="Then it counts against the odds of others like it.",
    )
    scrapped_on = PastDayField(label="Scrapped on")


def sell_form(part: Part, data: object = None) -> SellForm:
    today = timezone.localdate(timezone.now())
    return SellForm(data, initial={"price": part.price_cents, "sold_on": today}, auto_id="sell_%s")


def scrap_form(data: object = None) -> ScrapForm:
    today = timezone.localdate(timezone.now())
    return ScrapForm(data, initial={"scrapped_on": today}, auto_id="scrap_%s")


@for_member(Role.TECHNICIAN, methods=FORM)
def part_sell(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    part = get_part(member.workshop, ref)
    form = sell_form(part, posted(request))

    def sell() -> None:
        parting.sell_part(workshop=member.workshop, ref=ref, sale=form.sale(), now=timezone.now())

    return _leave(request, part, form, act="sell", done=f"{ref} is sold.", do=sell)


@for_member(methods=FORM)
def part_scrap(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    part = get_part(member.workshop, ref)
    form = scrap_form(posted(request))

    def scrap() -> None:
        given = form.cleaned_data
        parting.scrap_part(
            workshop=member.workshop,
            ref=ref,
            why=given["why"],
            on=given["scrapped_on"],
            was_bad=given["was_bad"],
        )

    return _leave(request, part, form, act="scrap", done=f"{ref} is scrapped.", do=scrap)


def _leave(
    request: HttpRequest,
    part: Part,
    form: PlainForm,
    *,
    act: str,
    done: str,
    do: Callable[[], None],
) -> HttpResponse:
    """Do what the form asks, or show it again with what is wrong."""
    if form.is_bound and form.accepts():
        try:
            do()
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, done)
            return redirect("part", part.ref)
    appliance = part.donor.appliance_id if part.donor else ""
    shown = {
        "part": part,
        "form": form,
        "act": act,
        "cautions": list_cautions(appliance, [part.kind_id]),
    }
    return render(request, "matching/part_leave.html", shown, status=form.status)
