"""The first page, the inbox, the search, and the pages of one donor and one part."""

import uuid
from dataclasses import replace
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme

from donors.selectors import candidates_for, get_donor, list_makes
from matching import alerts, finding, inbox_groups, keeping, predicting, selectors, waits
from matching.echo import choices
from matching.finding import standing_holds
from matching.matcher import reasons
from matching.models import Hold
from matching.overruled import overruled
from matching.share_views import standing_by_part
from matching.strip_planning import plan_donor
from matching.web.forms import FindForm
from matching.web.jobs import whole_number
from matching.web.parting import scrap_form, sell_form
from matching.web.rows import OfferRow, found_rows
from parts import donor_corrections
from parts import services as part_services
from parts.bench_tests import charges_of
from parts.conditions import ConditionBook
from parts.models import AVAILABLE, Part
from parts.photos import Subject
from parts.reuse import lacking_test
from parts.selectors import get_part, list_bench_tests, list_cautions, list_parts
from parts.sisters import warnings_of
from parts.web.forms import describe_form
from parts.web.photos import photo_context
from parts.web.views import remove_form
from workshop.errors import DomainError, InputRefused
from workshop.members import covers, why_not
from workshop.models import Member, Role, Workshop
from workshop.web.gate import ACTION, for_member
from workshop.web.pages import page_of

NEWEST = 10
ALERTS_A_PAGE = 25


@for_member()
def home(request: HttpRequest, member: Member) -> HttpResponse:
    shown = {
        "groups": inbox_groups.read_groups(
            member, inbox_groups.list_keys(member, unread=True)[:NEWEST]
        ),
        "figures": selectors.workshop_figures(member.workshop),
        "waits_over": waits.count_over(member.workshop, on=timezone.localdate()),
        "find_form": FindForm(),
        "mail_waits_for": choices.waits_for(member),
        "may_open": covers(member, Role.TECHNICIAN),
    }
    if covers(member, Role.REVIEWER):
        shown["rules_waiting"] = selectors.count_rules_waiting(member.workshop)
    if covers(member, Role.OWNER):
        shown |= {"not_sent": selectors.count_not_sent(member.workshop), "is_owner": True}
    return render(request, "matching/home.html", shown)


@for_member()
def alert_list(request: HttpRequest, member: Member) -> HttpResponse:
    unread_only = request.GET.get("show") == "unread"
    page = page_of(request, inbox_groups.list_keys(member, unread=unread_only), size=ALERTS_A_PAGE)
    unread = selectors.list_alerts(member, unread=True).values_list("pk", flat=True)
    shown = {
        "page": page,
        "groups": inbox_groups.read_groups(member, list(page)),
        "unread_only": unread_only,
        "mail_waits_for": choices.waits_for(member),
        # Only what this page knew of is marked: an alert that comes in meanwhile stays unread.
        "unread_ids": list(unread[: inbox_groups.MOST_MARKED]),
    }
    return render(request, "matching/alerts.html", shown)


@for_member(methods=ACTION)
def alert_read(request: HttpRequest, member: Member, alert_id: uuid.UUID) -> HttpResponse:
    alerts.mark_read(member=member, alert_id=alert_id, now=timezone.now())
    return _back_to_inbox(request)


@for_member(methods=ACTION)
def alerts_read_all(request: HttpRequest, member: Member) -> HttpResponse:
    try:
        named = [uuid.UUID(text) for text in request.POST.get("ids", "").split(",") if text]
    except ValueError as bad:
        raise InputRefused("Those are no alerts of yours. Open the inbox again.") from bad
    count = alerts.mark_all_read(
        member=member, now=timezone.now(), only=named[: inbox_groups.MOST_MARKED]
    )
    messages.success(request, f"Marked as read: {count}.")
    return _back_to_inbox(request)


def _back_to_inbox(request: HttpRequest) -> HttpResponse:
    wanted = request.POST.get("next", "")
    ours = url_has_allowed_host_and_scheme(wanted, {request.get_host()})
    return redirect(wanted if wanted and ours else "alerts")


@for_member()
def find(request: HttpRequest, member: Member) -> HttpResponse:
    asked = any(request.GET.get(name) for name in FindForm.base_fields)
    form = FindForm(request.GET if asked else None)
    shown = {"form": form, "makes": list_makes(member.workshop)}
    if form.is_bound and form.accepts():
        try:
            found = finding.find_parts(
                member.workshop, form.query(), on=timezone.localdate(timezone.now())
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            seen = found.recognition
            shown |= {
                "found": found,
                "seen": seen,
                "rows": _found_rows(member.workshop, found),
                "job_query": urlencode(form.as_job(seen.canonical, found.kinds)),
                "may_open": covers(member, Role.TECHNICIAN),
                "never_reused": finding.never_reused(found),
            }
    return render(request, "matching/find.html", shown, status=form.status)


def _found_rows(workshop: Workshop, found: finding.Found) -> list[OfferRow]:
    rows = found_rows(workshop, found.offered, found.holds, reasons)
    return [replace(row, proposal=found.proposals.get(row.part.pk)) for row in rows]


@for_member()
def donor_page(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    return show_donor(request, member, ref)


def show_donor(
    request: HttpRequest, member: Member, ref: str, refused: DomainError | None = None
) -> HttpResponse:
    """Return the donor's page; after a refused action with its sentence and status."""
    donor = get_donor(member.workshop, ref)
    parts = list(list_parts(member.workshop).filter(donor=donor))
    settled = donor.confirmed or donor.recognised_id is not None
    held = standing_holds(member.workshop, [part.pk for part in parts])
    likely = predicting.for_unread_parts(member.workshop_id, parts)
    doubts = warnings_of(member.workshop_id, [part.pk for part in parts])
    shown = {
        "donor": donor,
        "parts": [
            (part, held.get(part.pk), likely.get(part.pk), part.pk in doubts) for part in parts
        ],
        "in_doubt": len(doubts),
        "seen": None if settled else candidates_for(donor),
        "cautions": list_cautions(donor.appliance_id, {part.kind_id for part in parts}),
        "matches": selectors.list_matches_for_donor(member.workshop, donor.pk),
        "matching_runs": selectors.matching_runs(member.workshop),
        "strip": plan_donor(member.workshop, ref, on=timezone.localdate(timezone.now())),
        "was_job": keeping.find_job_of(donor),
        "not_in_writing": keeping.NOT_IN_WRITING,
        "changes": donor_corrections.list_changes(donor),
        "refused": refused,
        **photo_context(member, Subject(donor=donor)),
    }
    return render(request, "matching/donor.html", shown, status=refused.status if refused else 200)


@for_member(methods=ACTION)
def donor_confirm(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    get_donor(member.workshop, ref)
    try:
        model_id = whole_number(request, "model_id")
        part_services.confirm_donor_model(workshop=member.workshop, ref=ref, model_id=model_id)
    except DomainError as refused:
        return show_donor(request, member, ref, refused)
    messages.success(request, f"Noted which model {ref} is. Waiting jobs are looked through again.")
    return redirect("donor", ref)


def _holds_of(workshop: Workshop, part: Part) -> list[Hold]:
    """Return the last holds of a part, each with the jobs it went before."""
    rows = selectors.list_holds(workshop, standing=False).filter(part=part)
    held = list(rows[:20])
    crossed = overruled(workshop, held).by_hold
    for hold in held:
        hold.crossed = crossed.get(hold.pk, [])  # type: ignore[attr-defined]
    return held


@for_member()
def part_page(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    part = get_part(member.workshop, ref)
    there = part.state in AVAILABLE
    technician = why_not(member, Role.TECHNICIAN)
    book = ConditionBook.load(member.workshop_id, on=timezone.localdate(timezone.now()))
    shown = {
        "part": part,
        "there": there,
        "condition": book.condition(part),
        "cautions": list_cautions(part.donor.appliance_id if part.donor else "", [part.kind_id]),
        "charges": charges_of(part),
        "tests": list_bench_tests(part),
        "holds": _holds_of(member.workshop, part),
        "warnings": warnings_of(member.workshop_id, [part.pk]).get(part.pk, []),
        "lacking_test": lacking_test(part) if there else "",
        "proposal": standing_by_part(member.workshop, [part.pk]).get(part.pk),
        "today": timezone.localdate(timezone.now()),
        "told": selectors.list_told_of(member.workshop, part.pk),
        "matches": selectors.list_needs_for_part(member.workshop, part.pk),
        "matching_runs": selectors.matching_runs(member.workshop),
        **photo_context(member, Subject(part=part)),
        "describe_form": describe_form(part) if there else None,
        "remove_form": remove_form() if part.state == Part.State.IN_MACHINE else None,
        "sell_form": sell_form(part) if there and not technician else None,
        "scrap_form": scrap_form() if there else None,
        "not_allowed": technician,
    }
    return render(request, "matching/part.html", shown)
