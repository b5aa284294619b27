"""The pages of figures and of what to look for."""

from datetime import date
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from matching import looked_for
from matching.figures import kept, lasts, needs, shelf, spans, yields
from matching.web import figures_drawing as drawing
from workshop.errors import InputRefused
from workshop.models import Member
from workshop.web.forms import PlainForm
from workshop.web.gate import for_member
from workshop.web.pages import page_of

FEW_NEEDS = 10  # settled needs of a month below which its bar is hollow; our own choice
LET_GO_SHOWN = 5
MONTHS = [("", "choose by days"), *((str(one), f"last {one} months") for one in spans.LAST_MONTHS)]


class DayField(forms.DateField):
    def __init__(self, label: str) -> None:
        widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
        super().__init__(label=label, required=False, widget=widget)


class SpanForm(PlainForm):
    """Which span the figures are of. Days go before months."""

    months = forms.TypedChoiceField(
        label="Over the", choices=MONTHS, coerce=int, required=False, empty_value=None
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["from"] = DayField("or from")
        self.fields["to"] = DayField("to")

    def span(self, today: date) -> spans.Span | None:
        """Return the span asked for; None where the form says what is wrong with it."""
        if not self.accepts():
            return None
        given = self.cleaned_data
        try:
            return spans.chosen(
                today=today, months=given["months"], start=given["from"], end=given["to"]
            )
        except InputRefused as error:
            self.refuse(error)
            return None


class ShelfForm(PlainForm):
    """What a place on the shelf costs."""

    shelf_per_year = forms.FloatField(
        label="A place on the shelf costs, a year",
        required=False,
        help_text="for one part, in the workshop's money; a guide stands there until you say",
    )


def _span_form(request: HttpRequest) -> SpanForm:
    given = request.GET.copy()
    if not any(given.get(name) for name in ("months", "from", "to")):
        given["months"] = str(spans.USUAL_MONTHS)
    return SpanForm(given)


@for_member()
def figures_page(request: HttpRequest, member: Member) -> HttpResponse:
    today = timezone.localdate()
    form = _span_form(request)
    span = form.span(today)
    shown: dict[str, Any] = {"form": form, "span": span, "today": today}
    if span is not None:
        shown |= _figures(member, span, today)
    return render(request, "matching/figures.html", shown, status=form.status)


def _figures(member: Member, span: spans.Span, today: date) -> dict[str, Any]:
    workshop = member.workshop
    rate = needs.fill_rate(workshop, span, today=today)
    waits = needs.waits(workshop, span)
    stands = shelf.shelf(workshop, today=today)
    long = lasts.how_long(workshop, span)
    used = kept.kept(workshop, span)
    bands = [(one.name, one.pile.count, f"{one.pile.count}") for one in stands.bands]
    age_bars, age_height = drawing.lying_bars(bands)
    brought = yields.yields(workshop, span)
    taken = [(name, one.taken_each or 0.0, _brought(one)) for name, one in brought.by_appliance]
    yield_bars, yield_height = drawing.lying_bars(taken)
    return {
        "rate": rate,
        "rate_bars": drawing.share_bars(rate.months, few=FEW_NEEDS),
        "few_needs": FEW_NEEDS,
        "waits": waits,
        "wait_curve": drawing.curves([("still waiting", waits.curve)], banded=True),
        "yields": brought,
        "yield_bars": yield_bars,
        "yield_height": yield_height,
        "shelf": stands,
        "age_bars": age_bars,
        "age_height": age_height,
        "let_go": shelf.LetGoRows(workshop, stands)[:LET_GO_SHOWN],
        "kept": used,
        "kept_bars": drawing.count_bars(used.months),
        "long": long,
        "few_fitted": lasts.FEW,
        "grade_curves": drawing.curves((one.name, one.found) for one in long.grades),
        "kind_curves": drawing.curves((one.name, one.found) for one in long.kinds),
        "shown_days": lasts.SHOWN_DAYS,
        "warranty": lasts.warranty_carried(workshop),
        "until_today": span.end == today,
    }


def _brought(one: yields.Yield) -> str:
    figures = ((one.taken_each, "taken"), (one.proven_each, "passed"), (one.fitted_each, "fitted"))
    return ", ".join(f"{each or 0:.1f} {what}" for each, what in figures)


@for_member()
def let_go_page(request: HttpRequest, member: Member) -> HttpResponse:
    form = ShelfForm(request.GET)
    cost = form.cleaned_data["shelf_per_year"] if form.accepts() else None
    shown: dict[str, Any] = {"form": form}
    try:
        found = shelf.shelf(member.workshop, today=timezone.localdate(), shelf_per_year=cost)
    except InputRefused as error:
        form.refuse(error)
        found = shelf.shelf(member.workshop, today=timezone.localdate())
    rows = shelf.LetGoRows(member.workshop, found)
    shown |= {"shelf": found, "page": page_of(request, rows, size=shelf.SHELF_PAGE)}
    return render(request, "matching/let_go.html", shown, status=form.status)


@for_member()
def look_for_page(request: HttpRequest, member: Member) -> HttpResponse:
    rows = looked_for.rows(member.workshop)
    page = page_of(request, rows, size=looked_for.PAGE)
    shown = {
        "page": page,
        "found": looked_for.shown(member.workshop, list(page)),
        "state": looked_for.state(member.workshop),
    }
    return render(request, "matching/look_for.html", shown)
