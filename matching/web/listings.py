"""Pages on machines for sale elsewhere."""

from collections.abc import Callable, Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from donors.domain.listings.cleaning import LARGEST_RAW, LARGEST_TEXT, plain_text, safe_link
from donors.listings import services
from donors.listings.importing import LARGEST_FILE, Kind, import_file
from donors.listings.selectors import (
    get_listing,
    list_listings,
    list_sightings_of,
    not_matched_yet,
)
from donors.listings.services import Correction, Offered
from donors.models import Appliance, FailureCause, Listing
from donors.web.forms import CODE
from matching.listings.buying import buy_listing
from matching.listings.worth import weigh_listing
from matching.models import Job, Need
from workshop.errors import DomainError
from workshop.members import why_not
from workshop.models import Member, Role
from workshop.web.forms import (
    DayField,
    FilterForm,
    LongText,
    MoneyField,
    PastDayField,
    PlainForm,
    choices_with_any,
    posted,
)
from workshop.web.gate import ACTION, FORM, for_member
from workshop.web.pages import page_of


class ListingFilter(FilterForm):
    state = forms.ChoiceField(required=False, choices=choices_with_any(Listing.State.choices))
    appliance: Any = forms.ChoiceField(required=False)
    text = forms.CharField(required=False, max_length=80, label="Words or reference")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["appliance"].choices = choices_with_any(_appliances())  # type: ignore[attr-defined]


class PasteForm(PlainForm):
    """A listing as it was copied."""

    text = LongText(
        rows=10,
        max_length=LARGEST_RAW,
        label="The listing's text",
        help_text=f"At most {LARGEST_TEXT} characters are read. Nothing is fetched.",
    )
    title = forms.CharField(required=False, max_length=200)
    link = forms.CharField(required=False, max_length=500, label="Its address or number there")
    price = MoneyField(required=False, help_text="Blank: as the text says.")
    seen_on = PastDayField(label="Seen on")
    fields_of_service: Mapping[str, str] = {"price_cents": "price"}

    def offered(self) -> Offered:
        given = self.cleaned_data
        return Offered(
            given["text"],
            title=given["title"],
            link=given["link"],
            price_cents=given["price"],
            seen_on=given["seen_on"],
        )


class FileForm(PlainForm):
    """A file a person saved."""

    file = forms.FileField(
        label="Saved feed (Atom, RSS), CSV file, e-mail or text",
        help_text=f"At most {LARGEST_FILE // 1024 // 1024} MB. Nothing is fetched from it.",
    )
    kind = forms.ChoiceField(
        label="What it is",
        choices=[
            (Kind.AUTO, "find out"),
            (Kind.FEED, "saved feed"),
            (Kind.CSV, "CSV file"),
            (Kind.EMAIL, "e-mail"),
            (Kind.TEXT, "text of one listing"),
        ],
    )


class TermsForm(PlainForm):
    """A workshop's usual terms."""

    days_kept = forms.IntegerField(
        min_value=1, max_value=365, label="Days until a listing not seen again expires"
    )
    collection = MoneyField(label="Fetching a machine costs")
    margin_percent = forms.IntegerField(
        min_value=0, max_value=100, label="Part of the worth that is kept, in percent"
    )


class CorrectForm(PlainForm):
    """What a person states in place of what was read."""

    appliance: Any = forms.ChoiceField(required=False, label="Kind of machine")
    make = forms.CharField(required=False, max_length=80)
    model_number = forms.CharField(
        required=False, max_length=80, widget=forms.TextInput(attrs=CODE)
    )
    cause: Any = forms.ChoiceField(required=False, label="What is wrong with it")
    price = MoneyField(required=False, label="Price asked")
    built_from = DayField(required=False, label="Built not before")
    built_to = DayField(required=False, label="Built not after")
    fields_of_service: Mapping[str, str] = {"price_cents": "price"}

    def __init__(self, data: Any = None, *, row: Listing) -> None:
        initial = {
            "appliance": row.appliance_id or "",
            "make": row.make.name if row.make else row.make_as_read,
            "model_number": row.model_number,
            "cause": row.cause.slug if row.cause else "",
            "price": row.price_cents,
            "built_from": row.built_from,
            "built_to": row.built_to,
        }
        super().__init__(data, initial=initial, auto_id="correct_%s")
        self.fields["appliance"].choices = [("", "not known"), *_appliances()]  # type: ignore[attr-defined]
        causes = FailureCause.objects.filter(appliance=row.appliance_id or "")
        known = [(one.slug, one.name) for one in causes]
        self.fields["cause"].choices = [("", "not known"), *known]  # type: ignore[attr-defined]

    def correction(self) -> Correction:
        """Return what was changed; all else stays as it was read."""
        given = self.cleaned_data
        before = {name: self.initial.get(name) or None for name in self.fields}
        changed = {name for name in self.fields if (given[name] or None) != before[name]}
        model = changed & {"make", "model_number"}
        built = changed & {"built_from", "built_to"}
        return Correction(
            appliance=given["appliance"] or None if "appliance" in changed else None,
            make=given["make"] if model else None,
            model_number=given["model_number"] if model else None,
            cause=given["cause"] if "cause" in changed else None,
            price_cents=given["price"] if "price" in changed else None,
            built_from=given["built_from"] if built else None,
            built_to=given["built_to"] if built else None,
        )


class OwnTermsForm(PlainForm):
    """What fetching this one costs and what margin is kept; blank: as usual."""

    collection = MoneyField(required=False, label="Fetching it costs")
    margin_percent = forms.IntegerField(
        required=False, min_value=0, max_value=100, label="Margin kept, in percent"
    )


class BuyForm(PlainForm):
    """It was bought and stands here."""

    paid = MoneyField(label="Paid")
    received_on = PastDayField(label="Came in on")
    note = LongText(required=False, rows=2, max_length=2000)
    fields_of_service: Mapping[str, str] = {"paid_cents": "paid"}


class CloseForm(PlainForm):
    """It is no longer for sale, or not for us."""

    state = forms.ChoiceField(
        label="Why it is closed",
        choices=[
            (Listing.State.GONE, "gone: sold or taken away"),
            (Listing.State.DECLINED, "not worth it"),
        ],
    )
    why = forms.CharField(required=False, max_length=200, label="Note")


def _appliances() -> list[tuple[str, str]]:
    return list(Appliance.objects.values_list("slug", "name"))


@for_member()
def listing_list(request: HttpRequest, member: Member) -> HttpResponse:
    form = ListingFilter(request.GET or {"state": Listing.State.OPEN})
    rows = list_listings(member.workshop, **form.chosen())
    open_need = Q(
        matches__need__state=Need.State.OPEN,
        matches__need__job__state=Job.State.OPEN,
        matches__p_fit__gte=member.workshop.alert_from_p_fit,
    )
    rows = rows.annotate(jobs_served=Count("matches__need__job", filter=open_need, distinct=True))
    shown = {
        "not_matched": not_matched_yet(member.workshop),
        "page": page_of(request, rows),
        "form": form,
        "today": _today(),
    }
    return render(request, "matching/listings.html", shown)


@for_member(methods=FORM)
def listing_new(request: HttpRequest, member: Member) -> HttpResponse:
    form = PasteForm(posted(request), initial={"seen_on": _today()})
    if form.is_bound and form.accepts():
        try:
            stored = services.add_listing(
                workshop=member.workshop, offered=form.offered(), member=member, on=_today()
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            ref = stored.listing.ref
            news = "is stored" if stored.is_new else "was here already: seen again"
            messages.success(request, f"{ref} {news}. Waiting jobs are looked through.")
            return redirect("listing", ref)
    return render(request, "matching/listing_new.html", {"form": form}, status=form.status)


@for_member(methods=FORM)
def listing_import(request: HttpRequest, member: Member) -> HttpResponse:
    form = FileForm(posted(request), request.FILES if request.method == "POST" else None)
    if form.is_bound and form.accepts():
        file = form.cleaned_data["file"]
        try:
            if file.size > LARGEST_FILE:
                form.add_error("file", f"At most {LARGEST_FILE // 1024 // 1024} MB.")
                form.status = 400
            else:
                done = import_file(
                    workshop=member.workshop,
                    raw=file.read(),
                    name=file.name or "the file",
                    member=member,
                    on=_today(),
                    kind=Kind(form.cleaned_data["kind"]),
                )
                messages.success(request, f"{file.name}: {done}.")
                return redirect("listings")
        except DomainError as refused:
            form.refuse(refused)
    return render(request, "matching/listing_import.html", {"form": form}, status=form.status)


@for_member(Role.OWNER, methods=FORM)
def listing_terms(request: HttpRequest, member: Member) -> HttpResponse:
    shop = member.workshop
    now = {
        "days_kept": shop.listing_days,
        "collection": shop.listing_collection_cents,
        "margin_percent": shop.listing_margin_percent,
    }
    form = TermsForm(posted(request), initial=now)
    if form.is_bound and form.accepts():
        given = form.cleaned_data
        services.set_terms(
            workshop=shop,
            days_kept=given["days_kept"],
            collection_cents=given["collection"],
            margin_percent=given["margin_percent"],
        )
        messages.success(request, "The terms are stored.")
        return redirect("listings")
    return render(request, "matching/listing_terms.html", {"form": form}, status=form.status)


@for_member()
def listing_page(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    return _show(request, member, ref)


def _show(request: HttpRequest, member: Member, ref: str, **bound: PlainForm) -> HttpResponse:
    """Return the page of a listing; `bound` forms stand in for fresh ones, with what was typed."""
    row = get_listing(member.workshop, ref)
    worth = weigh_listing(member.workshop, row, on=_today())
    technician = why_not(member, Role.TECHNICIAN)
    terms = {"collection": row.collection_cents, "margin_percent": row.margin_percent}
    fresh = {
        "correct_form": CorrectForm(row=row),
        "terms_form": OwnTermsForm(initial=terms, auto_id="terms_%s"),
        "close_form": CloseForm(auto_id="close_%s"),
        "buy_form": BuyForm(
            initial={"paid": row.price_cents, "received_on": _today()}, auto_id="buy_%s"
        ),
    }
    shown = {
        "row": row,
        "found": worth,
        "text": plain_text(row.text),
        "safe_link": safe_link(row.link),
        "findings": row.read.get("findings", []),
        "sightings": list_sightings_of(row),
        "not_allowed": technician,
        **fresh,
        **bound,
    }
    status = max((form.status for form in bound.values()), default=200)
    return render(request, "matching/listing.html", shown, status=status)


def _act(
    request: HttpRequest,
    member: Member,
    ref: str,
    name: str,
    form: PlainForm,
    do: Callable[[], str],
) -> HttpResponse:
    """Do what a form of the listing's page asks, or show the page with what is wrong."""
    if form.accepts():
        try:
            said = do()
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, said)
            return redirect("listing", ref)
    return _show(request, member, ref, **{name: form})


@for_member(methods=ACTION)
def listing_correct(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    form = CorrectForm(request.POST, row=get_listing(member.workshop, ref))

    def do() -> str:
        services.correct_listing(workshop=member.workshop, ref=ref, correction=form.correction())
        return f"{ref} is corrected. Waiting jobs are looked through again."

    return _act(request, member, ref, "correct_form", form, do)


@for_member(methods=ACTION)
def listing_own_terms(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    get_listing(member.workshop, ref)
    form = OwnTermsForm(request.POST, auto_id="terms_%s")

    def do() -> str:
        given = form.cleaned_data
        terms = Correction(
            collection_cents=given["collection"],
            margin_percent=given["margin_percent"],
            clear_terms=True,
        )
        services.correct_listing(workshop=member.workshop, ref=ref, correction=terms)
        return f"The terms of {ref} are stored."

    return _act(request, member, ref, "terms_form", form, do)


@for_member(methods=ACTION)
def listing_read(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    services.read_again(workshop=member.workshop, ref=ref, on=_today())
    messages.success(request, f"{ref} was read again; what a person stated stays.")
    return redirect("listing", ref)


@for_member(methods=ACTION)
def listing_close(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    get_listing(member.workshop, ref)
    form = CloseForm(request.POST, auto_id="close_%s")

    def do() -> str:
        state = Listing.State(form.cleaned_data["state"])
        why = form.cleaned_data["why"]
        services.close_listing(workshop=member.workshop, ref=ref, state=state, on=_today(), why=why)
        return f"{ref} is closed: {state.label}."

    return _act(request, member, ref, "close_form", form, do)


@for_member(methods=ACTION)
def listing_reopen(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    services.reopen_listing(workshop=member.workshop, ref=ref, on=_today())
    messages.success(request, f"{ref} is for sale again.")
    return redirect("listing", ref)


@for_member(Role.TECHNICIAN, methods=ACTION)
def listing_buy(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    get_listing(member.workshop, ref)
    form = BuyForm(request.POST, auto_id="buy_%s")
    if form.accepts():
        given = form.cleaned_data
        try:
            donor = buy_listing(
                workshop=member.workshop,
                ref=ref,
                paid_cents=given["paid"],
                received_on=given["received_on"],
                note=given["note"],
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"{ref} is donor {donor.ref} now.")
            return redirect("donor", donor.ref)
    return _show(request, member, ref, buy_form=form)


def _today() -> Any:
    return timezone.localdate(timezone.now())
