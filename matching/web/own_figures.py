"""One page from which a workshop's own figures are set, each with what it does."""

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from matching.own_figures import alert_percent, set_own_figures
from workshop import members
from workshop.errors import DomainError
from workshop.members import why_not
from workshop.models import MOST_HOLD_DAYS, MOST_PROPOSAL_HOURS, Member, Role, Workshop
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import FORM, for_member


class OwnFiguresForm(PlainForm):
    """How long things stand, and from when somebody is told."""

    hold_days = forms.IntegerField(
        min_value=1,
        max_value=MOST_HOLD_DAYS,
        label="Days a part is held",
        help_text="Then it is free again. Common practice: 3 to 7. What is held keeps its end.",
    )
    proposal_hours = forms.IntegerField(
        min_value=1,
        max_value=MOST_PROPOSAL_HOURS,
        label="Hours a proposal stands",
        help_text="Then the part falls to the next job. Our own choice: 48.",
    )
    alert_from_percent = forms.IntegerField(
        min_value=0,
        max_value=100,
        label="Tell of matches from this chance of fit, in percent",
        help_text="Of an arrival, and of a machine for sale. Lower: more news, more of it in vain.",
    )


def own_figures_of(workshop: Workshop) -> dict[str, int]:
    """Return the figures of this page as they stand."""
    return {
        "hold_days": workshop.hold_days,
        "proposal_hours": workshop.proposal_hours,
        "alert_from_percent": alert_percent(workshop),
    }


@for_member(methods=FORM)
def own_figures(request: HttpRequest, member: Member) -> HttpResponse:
    if request.method == "POST":
        members.require(request, Role.OWNER)
    form = OwnFiguresForm(posted(request), initial=own_figures_of(member.workshop))
    if form.is_bound and form.accepts():
        try:
            set_own_figures(workshop=member.workshop, **form.cleaned_data)
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, "The figures are stored.")
            return redirect("own-figures")
    shown = {"form": form, "workshop": member.workshop, "not_allowed": why_not(member, Role.OWNER)}
    return render(request, "matching/own_figures.html", shown, status=form.status)
