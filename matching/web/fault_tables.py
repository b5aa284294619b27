"""Pages of a workshop's table of faults: symptoms, codes and checks, with what was learned."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from donors.models import Appliance
from donors.selectors import list_appliances, list_makes
from matching.domain.diagnosis.beliefs import STRENGTH, Belief
from matching.faults import check_cautions, editing, own_checks, tables
from matching.models import FaultCode
from matching.web.fault_forms import (
    ChangedCheckForm,
    CheckForm,
    CodeFilter,
    CodeForm,
    NewSymptomForm,
    OwnCheckForm,
    SymptomForm,
)
from parts.strip_steps import get_appliance
from workshop.errors import DomainError, InputRefused
from workshop.members import why_not
from workshop.models import Member, Role
from workshop.web.forms import posted
from workshop.web.gate import ACTION, FORM, for_member
from workshop.web.pages import page_of

FIRST = "washing-machine"


def _sub_nav(member: Member) -> dict[str, Any]:
    return {"appliances": list_appliances(), "not_allowed": why_not(member, Role.REVIEWER)}


def learned_rows(suspects: Any, closed: Any, appliance: str) -> list[dict[str, Any]]:
    """Return each suspect with its weight, share, closed jobs and odds, likeliest first."""
    prior = Belief.of_table(suspects)
    odds = prior.after(closed).odds
    rows = [
        {
            "name": tables.suspect_name(slug, appliance),
            "slug": slug,
            "weight": suspects.get(slug),
            "share": prior.odds.get(slug, 0.0),
            "closed": closed.get(slug, 0),
            "odds": p,
        }
        for slug, p in odds.items()
    ]
    return sorted(rows, key=lambda row: (-row["odds"], row["slug"]))


@for_member()
def symptom_list(request: HttpRequest, member: Member, appliance: str = FIRST) -> HttpResponse:
    found = get_appliance(appliance)
    rows = tables.symptom_rows(member.workshop, appliance)
    counts = tables.closed_counts(member.workshop, [row.symptom.slug for row in rows])
    shown = {
        **_sub_nav(member),
        "appliance": found,
        "rows": [
            (row, learned_rows(row.symptom.suspects, counts.get(row.symptom.slug, {}), appliance))
            for row in rows
        ],
        "strength": STRENGTH,
    }
    return render(request, "matching/symptoms.html", shown)


@for_member()
def symptom_page(request: HttpRequest, member: Member, slug: str) -> HttpResponse:
    return _show_symptom(request, member, slug)


def _show_symptom(
    request: HttpRequest, member: Member, slug: str, form: SymptomForm | None = None
) -> HttpResponse:
    row = tables.get_symptom_row(member.workshop, slug)
    closed = tables.closed_counts(member.workshop, [slug]).get(slug, {})
    shown = {
        **_sub_nav(member),
        "row": row,
        "learned": learned_rows(row.symptom.suspects, closed, row.symptom.appliance),
        "closed": sum(closed.values()),
        "form": form or SymptomForm.of(row),
        "known": tables.suspects_of(row.symptom.appliance),
        "appliance": get_appliance(row.symptom.appliance),
        "strength": STRENGTH,
    }
    return render(request, "matching/symptom.html", shown, status=form.status if form else 200)


@for_member(Role.REVIEWER, methods=ACTION)
def symptom_change(request: HttpRequest, member: Member, slug: str) -> HttpResponse:
    tables.get_symptom_row(member.workshop, slug)
    form = SymptomForm(request.POST)
    if form.accepts():
        try:
            row = editing.change_symptom(
                workshop=member.workshop,
                slug=slug,
                facts=form.facts(),
                member=member,
                now=timezone.now(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"“{row.symptom.name}” is stored.")
            return redirect("symptom", slug)
    return _show_symptom(request, member, slug, form)


@for_member(Role.REVIEWER, methods=ACTION)
def symptom_restore(request: HttpRequest, member: Member, slug: str) -> HttpResponse:
    row = editing.restore_symptom(workshop=member.workshop, slug=slug)
    messages.success(request, f"“{row.symptom.name}” is as delivered again.")
    return redirect("symptom", slug)


@for_member(Role.REVIEWER, methods=FORM)
def symptom_new(request: HttpRequest, member: Member) -> HttpResponse:
    form = NewSymptomForm(posted(request), initial=request.GET.dict())
    if form.is_bound and form.accepts():
        try:
            row = editing.add_symptom(
                workshop=member.workshop,
                appliance=form.cleaned_data["appliance"],
                facts=form.facts(),
                member=member,
                now=timezone.now(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"“{row.symptom.name}” is a symptom of yours now.")
            return redirect("symptom", row.symptom.slug)
    shown = {**_sub_nav(member), "form": form, "what": "symptom"}
    return render(request, "matching/fault_row_new.html", shown, status=form.status)


@for_member()
def code_list(request: HttpRequest, member: Member) -> HttpResponse:
    form = CodeFilter(request.GET)
    chosen = form.chosen()
    rows = tables.list_codes(member.workshop)
    if chosen["make"]:
        rows = rows.filter(make__name__icontains=chosen["make"])
    if chosen["appliance"]:
        rows = rows.filter(appliance=chosen["appliance"])
    page = page_of(request, rows)
    counts = tables.closed_counts(member.workshop, [row.slug for row in page])
    shown = {
        **_sub_nav(member),
        "form": form,
        "page": page,
        "rows": [
            (row, learned_rows(row.suspects, counts.get(row.slug, {}), row.appliance_id))
            for row in page
        ],
        "makes": list_makes(member.workshop),
        "strength": STRENGTH,
    }
    return render(request, "matching/fault_codes.html", shown)


@for_member()
def code_page(request: HttpRequest, member: Member, code_id: int) -> HttpResponse:
    return _show_code(request, member, tables.get_code(member.workshop, code_id))


def _show_code(
    request: HttpRequest, member: Member, row: FaultCode, form: CodeForm | None = None
) -> HttpResponse:
    closed = tables.closed_counts(member.workshop, [row.slug]).get(row.slug, {})
    checks = {one.check.slug: one.check for one in tables.check_rows(member.workshop)}
    shown = {
        **_sub_nav(member),
        "row": row,
        "checks": [checks[slug] for slug in row.checks if slug in checks],
        "learned": learned_rows(row.suspects, closed, row.appliance_id),
        "closed": sum(closed.values()),
        "form": form or CodeForm.of(row),
        "known": tables.suspects_of(row.appliance_id),
        "makes": list_makes(member.workshop),
        "strength": STRENGTH,
    }
    return render(request, "matching/fault_code.html", shown, status=form.status if form else 200)


@for_member(Role.REVIEWER, methods=ACTION)
def code_change(request: HttpRequest, member: Member, code_id: int) -> HttpResponse:
    row = tables.get_code(member.workshop, code_id)
    form = CodeForm(
        request.POST,
        workshop=member.workshop,
        appliance=row.appliance_id,
        kept=row.checks,
    )
    if _stored_code(request, member, form, code_id):
        return redirect("fault-code", code_id)
    return _show_code(request, member, row, form)


@for_member(Role.REVIEWER, methods=FORM)
def code_new(request: HttpRequest, member: Member) -> HttpResponse:
    form = CodeForm(
        posted(request),
        workshop=member.workshop,
        appliance=request.GET.get("appliance", ""),
        initial=request.GET.dict(),
    )
    if form.is_bound:
        row = _stored_code(request, member, form, None)
        if row is not None:
            return redirect("fault-code", row.pk)
    shown = {**_sub_nav(member), "form": form, "what": "code", "makes": list_makes(member.workshop)}
    return render(request, "matching/fault_row_new.html", shown, status=form.status)


def _stored_code(
    request: HttpRequest, member: Member, form: CodeForm, code_id: int | None
) -> FaultCode | None:
    if not form.accepts():
        return None
    try:
        row = editing.save_code(
            workshop=member.workshop,
            facts=form.facts(),
            member=member,
            now=timezone.now(),
            code_id=code_id,
        )
    except DomainError as refused:
        form.refuse(refused)
        return None
    messages.success(request, f"{row.make.name} {row.code} is stored.")
    return row


@for_member()
def check_list(request: HttpRequest, member: Member, appliance: str = FIRST) -> HttpResponse:
    return _show_checks(request, member, appliance)


def _show_checks(
    request: HttpRequest,
    member: Member,
    appliance: str,
    refused: DomainError | None = None,
) -> HttpResponse:
    shown = {
        **_sub_nav(member),
        "appliance": get_appliance(appliance),
        "rows": tables.check_rows(member.workshop, appliance),
        "refused": refused,
    }
    return render(
        request, "matching/fault_checks.html", shown, status=refused.status if refused else 200
    )


@for_member(Role.REVIEWER, methods=FORM)
def check_new(request: HttpRequest, member: Member, appliance: str) -> HttpResponse:
    found = get_appliance(appliance)
    form = OwnCheckForm(posted(request), appliance=appliance)
    if form.is_bound and form.accepts():
        try:
            row = own_checks.add_check(
                workshop=member.workshop,
                appliance=appliance,
                facts=form.facts(),
                member=member,
                now=timezone.now(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"“{row.check.do}” is a check of yours now.")
            return redirect("fault-checks-of", appliance)
    shown = {**_sub_nav(member), "form": form, "what": "check", **_of_check(found)}
    return render(request, "matching/fault_row_new.html", shown, status=form.status)


def _of_check(appliance: Appliance) -> dict[str, Any]:
    texts = own_checks.cautions_of(appliance.slug)
    return {
        "appliance": appliance,
        "known": tables.suspects_of(appliance.slug),
        "always": [texts[slug] for slug in check_cautions.opened(appliance.slug)],
        "of_kinds": [
            (name, [texts[one] for one in check_cautions.of_kind(appliance.slug, kind)])
            for kind, name in tables.parts_of(appliance.slug).items()
            if check_cautions.of_kind(appliance.slug, kind)
        ],
    }


@for_member()
def check_page(request: HttpRequest, member: Member, slug: str) -> HttpResponse:
    return _show_check(request, member, slug)


def _show_check(
    request: HttpRequest, member: Member, slug: str, form: ChangedCheckForm | None = None
) -> HttpResponse:
    row = own_checks.get_own(member.workshop, slug)
    as_shown = tables.get_check_row(member.workshop, slug)
    shown = {
        **_sub_nav(member),
        **_of_check(row.appliance),
        "row": as_shown,
        "beside": own_checks.beside(as_shown.check),
        "chances": [
            (tables.suspect_name(one, row.appliance_id), p) for one, p in row.suspects.items()
        ],
        "form": form or ChangedCheckForm.of(row),
    }
    return render(request, "matching/fault_check.html", shown, status=form.status if form else 200)


@for_member(Role.REVIEWER, methods=ACTION)
def check_change(request: HttpRequest, member: Member, slug: str) -> HttpResponse:
    before = own_checks.get_own(member.workshop, slug)
    form = ChangedCheckForm(request.POST, appliance=before.appliance_id)
    if form.accepts():
        try:
            row = own_checks.change_check(
                workshop=member.workshop,
                slug=slug,
                facts=form.facts(),
                member=member,
                now=timezone.now(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"“{row.check.do}” is stored.")
            return redirect("fault-check", slug)
    return _show_check(request, member, slug, form)


@for_member(Role.REVIEWER, methods=ACTION)
def check_set(request: HttpRequest, member: Member, appliance: str) -> HttpResponse:
    get_appliance(appliance)
    form = CheckForm(request.POST)
    try:
        if not form.accepts():
            raise InputRefused(
                "Give minutes above 0 and at most 600, or leave them blank for the guide's.",
            )
        row = editing.set_check(
            workshop=member.workshop,
            slug=form.cleaned_data["check"],
            minutes=form.cleaned_data["minutes"],
            hidden=form.cleaned_data["hidden"],
            member=member,
            now=timezone.now(),
        )
    except DomainError as refused:
        return _show_checks(request, member, appliance, refused)
    how = "not done here" if row.hidden else f"{row.check.minutes:g} minutes"
    messages.success(request, f"{row.check.do} {how[0].upper()}{how[1:]}.")
    return redirect("fault-checks-of", appliance)
