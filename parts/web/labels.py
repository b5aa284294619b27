"""Pages on labels: choosing parts and a sheet, the PDF, outlines, where a label leads."""

from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from parts import labels, selectors
from parts.domain.labels.sheets import MOST_SHIFT, Sheet
from parts.models import AVAILABLE, Part
from parts.reference import label_sheets
from parts.web.forms import PartFilter
from parts.web.views import filtered_parts
from workshop.errors import DomainError
from workshop.members import covers
from workshop.models import Member, Role
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import ACTION, for_member

ROLL = "roll"


class LabelFilter(PartFilter):
    """Which parts get a label: those of a donor or a bin, or the filters of the part list."""

    field_order = ("donor", "bin")

    donor = forms.CharField(required=False, max_length=40, label="Donor")
    bin = forms.CharField(required=False, max_length=40, label="Bin")


class SheetForm(PlainForm):
    """What the labels are printed on."""

    sheet = forms.ChoiceField(
        choices=lambda: [
            *((sheet.slug, sheet.words) for sheet in label_sheets()),
            (ROLL, "roll, by width and length"),
        ],
        help_text="Measure a label: millimetres count, not what is printed on the packet.",
    )
    start = forms.IntegerField(
        initial=1,
        min_value=1,
        label="First position",
        help_text="On a half-used sheet: counted from 1, row by row.",
    )
    width_mm = forms.FloatField(required=False, label="Width of the roll, mm")
    length_mm = forms.FloatField(required=False, label="Length of a label on it, mm")
    dx_mm = forms.FloatField(
        required=False,
        label="Move right, mm",
        help_text=f"What the outlines page showed; to the left below zero. At most {MOST_SHIFT:g}.",
    )
    dy_mm = forms.FloatField(required=False, label="Move down, mm")

    def chosen(self) -> Sheet:
        """Return the sheet. Raises InputRefused."""
        given = self.cleaned_data
        return labels.get_sheet(
            given["sheet"], width_mm=given["width_mm"], length_mm=given["length_mm"]
        )

    def shift(self) -> dict[str, float]:
        return {name: self.cleaned_data[name] or 0.0 for name in ("dx_mm", "dy_mm")}


class AddressForm(PlainForm):
    """Where a scanned label leads."""

    address = forms.CharField(
        required=False,
        max_length=120,
        label="Address of this site",
        help_text="Like https://bench.example. A phone that scans a label then opens the part. "
        "Blank: labels hold the bare code, for a hand scanner at the field on top.",
    )


@for_member()
def choose(request: HttpRequest, member: Member) -> HttpResponse:
    """Show the parts a filter leaves, each to be ticked, and the sheet to print them on."""
    return _page(request, member, SheetForm())


@for_member(methods=ACTION)
def pdf(request: HttpRequest, member: Member) -> HttpResponse:
    """Answer with the labels of the ticked parts; a refusal shows the form again."""
    form = SheetForm(posted(request))
    refs = _ticked(request)
    if form.accepts():
        try:
            found = labels.print_labels(
                workshop=member.workshop,
                refs=refs,
                sheet=form.chosen(),
                start=form.cleaned_data["start"],
                **form.shift(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            return _file(found, "labels.pdf")
    return _page(request, member, form, refs)


@for_member(methods=ACTION)
def outlines(request: HttpRequest, member: Member) -> HttpResponse:
    """Answer with the outlines of a sheet, to see how far the printer is off."""
    form = SheetForm(posted(request))
    if form.accepts():
        try:
            found = labels.print_outlines(sheet=form.chosen(), **form.shift())
        except DomainError as refused:
            form.refuse(refused)
        else:
            return _file(found, "outlines.pdf")
    return _page(request, member, form, _ticked(request))


@for_member(Role.OWNER, methods=ACTION)
def address(request: HttpRequest, member: Member) -> HttpResponse:
    form = AddressForm(posted(request))
    if form.accepts():
        try:
            labels.set_label_address(workshop=member.workshop, **form.cleaned_data)
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Labels printed from now on hold this.")
            return redirect("labels")
    return _page(request, member, SheetForm(), address_form=form)


def _ticked(request: HttpRequest) -> list[str]:
    # PostgreSQL raises on NUL where SQLite accepts it.
    return [ref for ref in request.POST.getlist("part") if "\x00" not in ref]


def _file(pdf_bytes: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(pdf_bytes, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{name}"'
    return answer


def _page(
    request: HttpRequest,
    member: Member,
    form: SheetForm,
    refs: list[str] | None = None,
    address_form: AddressForm | None = None,
) -> HttpResponse:
    filters = LabelFilter(request.GET)
    chosen = filters.chosen()
    asked = refs or request.GET.getlist("part") or []
    rows = _parts(member, asked, chosen)
    shown: dict[str, Any] = {
        "filters": filters,
        "form": form,
        "rows": list(rows[: labels.MOST_LABELS]),
        "more": max(0, rows.count() - labels.MOST_LABELS),
        "asked": bool(asked) or any(chosen.values()),
        "address_form": address_form
        or AddressForm(initial={"address": member.workshop.label_address}),
        "is_owner": covers(member, Role.OWNER),
    }
    status = (address_form or form).status
    return render(request, "parts/labels.html", shown, status=status)


def _parts(member: Member, refs: list[str], chosen: dict[str, Any]) -> "QuerySet[Part]":
    """Return the parts named, else those in stock that the filters leave; none without either."""
    rows = selectors.list_parts(member.workshop)
    if refs:
        return rows.filter(ref__in=refs[: labels.MOST_LABELS])
    if not any(chosen.values()):
        return rows.none()
    found = filtered_parts(rows, **{name: chosen[name] for name in PartFilter.base_fields})
    if chosen["donor"]:
        found = found.filter(donor__ref=chosen["donor"])
    if chosen["bin"]:
        found = found.filter(bin__iexact=chosen["bin"])
    return found if chosen["state"] else found.filter(state__in=AVAILABLE)
