"""The page of certificates: who may do licensed work, until when."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone

from workshop import certificates, members
from workshop.errors import DomainError
from workshop.models import LICENCES, Member, Role, Workshop
from workshop.web.forms import DayField, PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member


class CertificateForm(PlainForm):
    """One certificate of one member."""

    fields_of_service: Mapping[str, str] = {"member": "member_id"}
    member_id = forms.TypedChoiceField(coerce=int, label="Member")
    kind = forms.ChoiceField(choices=LICENCES, label="For")
    number = forms.CharField(max_length=60)
    valid_until = DayField(label="Valid until")

    def __init__(self, data: Any = None, *, workshop: Workshop) -> None:
        super().__init__(data)
        people = members.list_active(workshop)
        self.fields["member_id"].choices = [(one.pk, str(one)) for one in people]  # type: ignore[attr-defined]


@for_member(methods=FORM)
def certificate_list(request: HttpRequest, member: Member) -> HttpResponse:
    if request.method == "POST":
        members.require(request, Role.OWNER)
    form = CertificateForm(posted(request), workshop=member.workshop)
    if form.is_bound and form.accepts():
        try:
            row = certificates.add_certificate(workshop=member.workshop, **form.cleaned_data)
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"{row} of {row.member} is on record.")
            return redirect("certificates")
    return _show(request, member, form, status=form.status)


def _show(
    request: HttpRequest,
    member: Member,
    form: CertificateForm,
    *,
    status: int,
    refused: DomainError | None = None,
) -> HttpResponse:
    shown = {
        "rows": certificates.list_certificates(member.workshop),
        "form": form,
        "today": timezone.localdate(),
        "may_change": members.covers(member, Role.OWNER),
        "refused": refused,
    }
    return render(request, "workshop/certificates.html", shown, status=status)


@for_member(Role.OWNER, methods=ACTION)
def certificate_remove(request: HttpRequest, member: Member, certificate_id: int) -> HttpResponse:
    try:
        certificates.remove_certificate(workshop=member.workshop, certificate_id=certificate_id)
    except DomainError as refused:
        if refused.status == 404:
            raise
        form = CertificateForm(workshop=member.workshop)
        return _show(request, member, form, status=refused.status, refused=refused)
    messages.success(request, "The certificate is off the record.")
    return redirect("certificates")


urlpatterns = [
    path("certificates/", certificate_list, name="certificates"),
    path(
        "certificates/<int:certificate_id>/remove/", certificate_remove, name="certificate-remove"
    ),
]
