"""From a typed or scanned code to its part; a reference leads to what it names."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from donors.models import Donor
from parts import selectors
from parts.models import Part
from workshop.models import Member
from workshop.web.gate import for_member

# What else a typed reference may lead to: each returns an address or "". Filled by apps above.
Leads = Callable[[Member, str], str]
_leads: list[Leads] = []


def leads_on(lead: Leads) -> Leads:
    """Have the code box ask `lead` for texts that are no code, part or donor."""
    if lead not in _leads:
        _leads.append(lead)
    return lead


@for_member()
def scan(request: HttpRequest, member: Member) -> HttpResponse:
    """Open the part whose code the form holds; without one, show the form."""
    text = request.GET.get("code", "")
    return _open(request, member, text) if text.strip() else _form(request)


@for_member()
def scanned(request: HttpRequest, member: Member, code: str) -> HttpResponse:
    """Open the part a printed address leads to."""
    return _open(request, member, code)


def _open(request: HttpRequest, member: Member, text: str) -> HttpResponse:
    try:
        part = selectors.get_part_by_code(member.workshop, text)
    except selectors.CodeNotFound as refused:
        named = _by_reference(member, text.strip())
        if named is not None:
            return named
        return _form(request, typed=text, refused=refused)
    return redirect("part", part.ref)


def _by_reference(member: Member, ref: str) -> HttpResponse | None:
    """Lead to what has that reference: it stands beside the code on every page."""
    if Part.of(member.workshop_id).filter(ref=ref).exists():
        return redirect("part", ref)
    if Donor.of(member.workshop_id).filter(ref=ref).exists():
        return redirect("donor", ref)
    addresses = (lead(member, ref) for lead in _leads)
    address = next(filter(None, addresses), "")
    return redirect(address) if address else None


def _form(
    request: HttpRequest, typed: str = "", refused: selectors.CodeNotFound | None = None
) -> HttpResponse:
    shown = {"typed": typed, "refused": refused}
    return render(request, "parts/scan.html", shown, status=refused.status if refused else 200)
