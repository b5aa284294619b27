"""From a typed or scanned code to its part; a reference leads to what it names."""

from collections.abc import Callable
from urllib.parse import urlencode, urlsplit

from csp.constants import SELF, WASM_UNSAFE_EVAL
from csp.decorators import csp_update
from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from donors.models import Donor
from parts import code_photos, selectors
from parts.models import Part
from parts.pictures import MOST_BYTES
from parts.web.photos import ACCEPT
from workshop.errors import DomainError, InputRefused
from workshop.models import Member
from workshop.web.gate import ACTION, for_member

LONGEST_SHOWN = 500  # characters of what a code says
# The vendored reader of codes is WebAssembly; pages without it do not allow any.
READS_CODES = csp_update({"script-src": [SELF, WASM_UNSAFE_EVAL]})

# What else a typed reference may lead to: each returns an address or "". Filled by apps above.
Leads = Callable[[Member, str], str]
_leads: list[Leads] = []


def leads_on(lead: Leads) -> Leads:
    """Have the code box ask `lead` for texts that are no code, part or donor."""
    if lead not in _leads:
        _leads.append(lead)
    return lead


@READS_CODES
@for_member()
def scan(request: HttpRequest, member: Member) -> HttpResponse:
    """Open the part whose code the form holds; without one, show the form."""
    text = request.GET.get("code", "")
    return _open(request, member, text) if text.strip() else _form(request)


@READS_CODES
@for_member(methods=ACTION)
def scan_photo(request: HttpRequest, member: Member) -> HttpResponse:
    """Lead where the code on a photo of a label leads, as if it had been typed."""
    file = request.FILES.get("photo")
    try:
        if file is None:
            raise InputRefused("No photo was chosen. Take one of the label, or type its code.")
        texts = code_photos.read_codes(file.read(MOST_BYTES + 1))
        if not texts:
            raise InputRefused(
                "No code could be read on the photo. Come nearer, hold it level, or type the code."
            )
    except DomainError as refused:
        return _form(request, refused=refused)
    if len(texts) > 1:
        return _form(request, several=texts)
    return redirect(f"{reverse('scan')}?{urlencode({'code': texts[0]})}")


@READS_CODES
@for_member()
def scanned(request: HttpRequest, member: Member, code: str) -> HttpResponse:
    """Open the part a printed address leads to."""
    return _open(request, member, code)


def _open(request: HttpRequest, member: Member, text: str) -> HttpResponse:
    if _is_foreign(request, member, text):
        return _form(request, foreign=text.strip()[:LONGEST_SHOWN])
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


def _is_foreign(request: HttpRequest, member: Member, text: str) -> bool:
    """Return True for an address that is none of this site's labels. It is shown, never opened."""
    said = text.strip()
    if "://" not in said:
        return False  # a code or a reference; anything else is refused as one that nobody has
    try:
        address = urlsplit(said)
        host, is_ours = address.netloc.upper(), address.path.upper().startswith("/P/")
    except ValueError:
        return True
    ours = {request.get_host(), *map(_host, (member.workshop.label_address, settings.SITE_ADDRESS))}
    return not (is_ours and host in {one.upper() for one in ours if one})


def _host(address: str) -> str:
    return urlsplit(address).netloc if address else ""


def _form(
    request: HttpRequest,
    typed: str = "",
    refused: DomainError | None = None,
    *,
    foreign: str = "",
    several: list[str] | None = None,
) -> HttpResponse:
    shown = {
        "typed": typed,
        "refused": refused,
        "foreign": foreign,
        "several": several,
        "photo_accept": ACCEPT,
    }
    return render(request, "parts/scan.html", shown, status=refused.status if refused else 200)
