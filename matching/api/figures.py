"""API of the figures, and of what to look for: the numbers of the pages."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import looked_for
from matching.figures import kept, lasts, needs, shelf, spans, yields
from workshop.api import MemberView


class SpanInput(serializers.Serializer[Any]):
    """from..to where a day is given (without `to`: until today), else the last months."""

    months = serializers.IntegerField(
        required=False, default=None, allow_null=True, help_text="3, 6, 12 (usual) or 24"
    )
    to = serializers.DateField(required=False, default=None, allow_null=True)

    def get_fields(self) -> dict[str, Any]:
        # `from` is no name Python lets be declared.
        first = serializers.DateField(required=False, default=None, allow_null=True)
        return {**super().get_fields(), "from": first}


class SpanOutput(serializers.Serializer[Any]):
    """The days figures are of, both within."""

    start = serializers.DateField()
    end = serializers.DateField()


class FilledOutput(serializers.Serializer[Any]):
    """share: filled of filled, withdrawn and overdue; low..high its 95 % interval (Wilson)."""

    filled = serializers.IntegerField()
    withdrawn = serializers.IntegerField()
    overdue = serializers.IntegerField(help_text="open although their wait is over")
    waiting = serializers.IntegerField(help_text="open within their wait; not counted")
    share = serializers.FloatField(allow_null=True)
    low = serializers.FloatField()
    high = serializers.FloatField()


class MonthFilledOutput(serializers.Serializer[Any]):
    month = serializers.DateField()
    needs = FilledOutput()


class KindFilledOutput(serializers.Serializer[Any]):
    kind = serializers.CharField()
    name = serializers.CharField()
    needs = FilledOutput()


class FillRateOutput(serializers.Serializer[Any]):
    whole = FilledOutput()
    months = MonthFilledOutput(many=True)
    kinds = KindFilledOutput(many=True)
    wait_days = serializers.IntegerField()


class StepOutput(serializers.Serializer[Any]):
    """working: the share left after the day (still working, still waiting), within low..high."""

    day = serializers.FloatField()
    at_risk = serializers.IntegerField()
    failed = serializers.IntegerField(help_text="that day: failed, or were filled")
    working = serializers.FloatField()
    low = serializers.FloatField()
    high = serializers.FloatField()


class WaitsOutput(serializers.Serializer[Any]):
    """Kaplan-Meier: open needs count for as long as they waited. Days null: not seen yet."""

    counted = serializers.IntegerField(source="curve.count")
    filled = serializers.IntegerField(source="curve.failed")
    open = serializers.IntegerField()
    withdrawn = serializers.IntegerField(help_text="given up, counted until that day")
    withdrawn_median_days = serializers.FloatField(allow_null=True)
    withdrawn_undated = serializers.IntegerField(
        help_text="left out: given up on a day not on record"
    )
    undated = serializers.IntegerField(help_text="left out: filled without a fitting on record")
    quarter_days = serializers.FloatField(allow_null=True)
    median_days = serializers.FloatField(allow_null=True)
    three_quarter_days = serializers.FloatField(allow_null=True)
    steps = StepOutput(many=True, source="curve.steps")


class NeedsFiguresOutput(serializers.Serializer[Any]):
    span = SpanOutput()
    fill_rate = FillRateOutput()
    waits = WaitsOutput()


class YieldOutput(serializers.Serializer[Any]):
    """Sums over begun donors; cents of the workshop's money."""

    donors = serializers.IntegerField()
    taken = serializers.IntegerField()
    proven = serializers.IntegerField(help_text="passed a bench test")
    fitted = serializers.IntegerField()
    sold = serializers.IntegerField()
    sold_cents = serializers.IntegerField()
    fitted_cents = serializers.IntegerField()
    unpriced = serializers.IntegerField()
    timed = serializers.IntegerField(help_text="donors with strip minutes on record")
    minutes = serializers.FloatField()
    untimed_steps = serializers.IntegerField()


class DonorsOfOutput(serializers.Serializer[Any]):
    appliance = serializers.CharField()
    cause = serializers.CharField()
    begun = YieldOutput()
    not_begun = serializers.IntegerField()


class DonorFiguresOutput(serializers.Serializer[Any]):
    span = SpanOutput()
    begun = YieldOutput()
    not_begun = serializers.IntegerField()
    rows = DonorsOfOutput(many=True)


class PileOutput(serializers.Serializer[Any]):
    count = serializers.IntegerField()
    priced = serializers.IntegerField()
    cents = serializers.IntegerField(help_text="by their own prices")
    guessed_cents = serializers.IntegerField(help_text="the others, by what such parts go for")


class BandOutput(serializers.Serializer[Any]):
    slug = serializers.CharField()
    name = serializers.CharField()
    pile = PileOutput()


class ShelfOutput(serializers.Serializer[Any]):
    """What stands on the shelf today; scrap: graded so, and in no pile."""

    pile = PileOutput()
    bands = BandOutput(many=True)
    held = serializers.IntegerField()
    scrap = serializers.IntegerField()
    to_let_go = serializers.IntegerField()


class LetGoInput(serializers.Serializer[Any]):
    shelf_per_year = serializers.FloatField(
        required=False, default=None, allow_null=True, help_text="what a place costs a year"
    )


class LetGoOutput(serializers.Serializer[Any]):
    """A part that may go, and why. value: what keeping it two years may bring; a guide."""

    ref = serializers.CharField(source="part.ref")
    kind = serializers.CharField(source="part.kind_id")
    grade = serializers.CharField(source="part.grade")
    removed_on = serializers.DateField(source="part.removed_on", allow_null=True)
    reasons = serializers.ListField(child=serializers.CharField())
    value = serializers.FloatField(allow_null=True)
    in_doubt = serializers.BooleanField()


class LetGoPage(serializers.Serializer[Any]):
    count = serializers.IntegerField()
    next = serializers.URLField(allow_null=True)
    previous = serializers.URLField(allow_null=True)
    results = LetGoOutput(many=True)


class MassOutput(serializers.Serializer[Any]):
    """About so many kg, to two figures: a guide, nothing was weighed."""

    kg = serializers.FloatField(source="about")
    low = serializers.FloatField(source="about_low")
    high = serializers.FloatField(source="about_high")


class KindKeptOutput(serializers.Serializer[Any]):
    kind = serializers.CharField(source="slug")
    name = serializers.CharField()
    fitted = serializers.IntegerField()
    sold = serializers.IntegerField()
    mass = MassOutput(allow_null=True)
    source = serializers.CharField(allow_blank=True)  # type: ignore[assignment]


class MonthKeptOutput(serializers.Serializer[Any]):
    month = serializers.DateField()
    parts = serializers.IntegerField()


class MachinesOutput(serializers.Serializer[Any]):
    name = serializers.CharField()
    count = serializers.IntegerField()
    mass = MassOutput(allow_null=True)
    source = serializers.CharField()  # type: ignore[assignment]


class KeptInUseOutput(serializers.Serializer[Any]):
    """Parts fitted or sold. guessed: parts whose weight is the table's; unweighed: in no sum."""

    span = SpanOutput()
    count = serializers.IntegerField()
    imported = serializers.IntegerField()
    guessed = serializers.IntegerField()
    unweighed = serializers.IntegerField()
    mass = MassOutput()
    kinds = KindKeptOutput(many=True)
    months = MonthKeptOutput(many=True)
    machines = MachinesOutput(many=True)


class GroupOutput(serializers.Serializer[Any]):
    slug = serializers.CharField(allow_blank=True)
    name = serializers.CharField()
    fitted = serializers.IntegerField(source="found.count")
    failed = serializers.IntegerField(source="found.failed")
    few = serializers.BooleanField()
    watched_days = serializers.FloatField(source="found.watched_days")
    median_days = serializers.FloatField(source="found.median_days", allow_null=True)
    warranty_days = serializers.IntegerField(allow_null=True, help_text="law may set more")
    warranty_own = serializers.BooleanField(help_text="set by the workshop; else a guide")
    steps = StepOutput(many=True, source="found.steps")


class LastingOutput(serializers.Serializer[Any]):
    """How long fitted parts last (Kaplan-Meier). Without a report a part is taken to work."""

    span = SpanOutput()
    whole = GroupOutput()
    grades = GroupOutput(many=True)
    kinds = GroupOutput(many=True)
    undated = serializers.IntegerField(help_text="failed on an unknown day: counted as at once")
    ungraded = serializers.IntegerField()


class ServedNeedOutput(serializers.Serializer[Any]):
    kind = serializers.CharField()
    position = serializers.CharField(allow_blank=True)
    p_fit = serializers.FloatField()
    p_good = serializers.FloatField()
    price_cents = serializers.IntegerField()


class ServedJobOutput(serializers.Serializer[Any]):
    ref = serializers.CharField()
    p = serializers.FloatField(help_text="that one such machine completes it")
    needs = ServedNeedOutput(many=True)


class LookForOutput(serializers.Serializer[Any]):
    """A family (or a number, where no family is known) whose arrival would complete jobs."""

    appliance = serializers.CharField(source="row.appliance_id")
    make = serializers.CharField()
    family = serializers.CharField(source="row.family", allow_blank=True)
    model_number = serializers.CharField(source="row.number_key", allow_blank=True)
    expected_jobs = serializers.FloatField()
    expected_cents = serializers.FloatField()
    names = serializers.ListField(child=serializers.CharField())
    breaks = serializers.ListField(child=serializers.CharField(), source="row.breaks")
    jobs = ServedJobOutput(many=True)
    worked_out_at = serializers.DateTimeField(source="row.worked_out_at")


class LookForPage(serializers.Serializer[Any]):
    count = serializers.IntegerField()
    next = serializers.URLField(allow_null=True)
    previous = serializers.URLField(allow_null=True)
    results = LookForOutput(many=True)


PAGED = [OpenApiParameter("page", str), OpenApiParameter("page_size", str)]
LET_GO = OpenApiExample(
    "one of five nobody asked for",
    value={
        "count": 1,
        "next": None,
        "previous": None,
        "results": [
            {
                "ref": "P-00427",
                "kind": "detergent-drawer",
                "grade": "untested",
                "removed_on": "2025-01-05",
                "reasons": [
                    "5 here and no request in 12 months: above 2, scrap the worst grade "
                    "(common practice)"
                ],
                "value": -4.16,
                "in_doubt": False,
            }
        ],
    },
    response_only=True,
)
LOOK_FOR = OpenApiExample(
    "a family one job waits for",
    value={
        "count": 1,
        "next": None,
        "previous": None,
        "results": [
            {
                "appliance": "washing-machine",
                "make": "Velthane",
                "family": "Y7L",
                "model_number": "",
                "expected_jobs": 0.55,
                "expected_cents": 990.0,
                "names": ["Y7L 80-674 G/R2E"],
                "breaks": [],
                "jobs": [
                    {
                        "ref": "J-0253",
                        "p": 0.55,
                        "needs": [
                            {
                                "kind": "drain-pump",
                                "position": "",
                                "p_fit": 1.0,
                                "p_good": 0.55,
                                "price_cents": 1800,
                            }
                        ],
                    }
                ],
                "worked_out_at": "2026-11-27T01:15:21Z",
            }
        ],
    },
    response_only=True,
)


class _OfASpan(MemberView):
    """A view whose figures are of a span."""

    def span(self) -> spans.Span:
        given = self.valid(SpanInput, self.request.query_params)
        return spans.chosen(
            today=timezone.localdate(),
            months=given["months"],
            start=given["from"],
            end=given["to"],
        )


def _with_span(found: object, span: spans.Span, output: Any) -> dict[str, Any]:
    """Return what an output shows of a figure, and its span."""
    names: list[str] = [str(name) for name in output().fields if name != "span"]
    return {"span": span, **{name: getattr(found, name) for name in names}}


class NeedsFigures(_OfASpan):
    @extend_schema(parameters=[SpanInput], responses=NeedsFiguresOutput)
    def get(self, request: Request) -> Response:
        """Say how many needs of the span were filled, and how long they waited."""
        span, today = self.span(), timezone.localdate()
        found = {
            "span": span,
            "fill_rate": needs.fill_rate(self.workshop, span, today=today),
            "waits": needs.waits(self.workshop, span),
        }
        return Response(NeedsFiguresOutput(found).data)


class DonorFigures(_OfASpan):
    @extend_schema(parameters=[SpanInput], responses=DonorFiguresOutput)
    def get(self, request: Request) -> Response:
        """Say what donors received in the span brought, by appliance and cause."""
        span = self.span()
        found = yields.yields(self.workshop, span)
        shown = {"span": span, "begun": found.begun, "not_begun": found.not_begun}
        return Response(DonorFiguresOutput({**shown, "rows": found.rows}).data)


class ShelfFigures(MemberView):
    @extend_schema(parameters=[LetGoInput], responses=ShelfOutput)
    def get(self, request: Request) -> Response:
        """Say what stands on the shelf today, how long, and how much of it may go."""
        given = self.valid(LetGoInput, request.query_params)
        found = shelf.shelf(self.workshop, today=timezone.localdate(), **given)
        return Response(ShelfOutput(found).data)


class LetGo(MemberView):
    @extend_schema(parameters=[LetGoInput, *PAGED], responses=LetGoPage, examples=[LET_GO])
    def get(self, request: Request) -> Response:
        """List the parts that may go, with the reasons. Nothing goes by itself."""
        given = self.valid(LetGoInput, request.query_params)
        found = shelf.shelf(self.workshop, today=timezone.localdate(), **given)
        return self.pages(shelf.LetGoRows(self.workshop, found), LetGoOutput)  # type: ignore[arg-type]


class KeptFigures(_OfASpan):
    @extend_schema(parameters=[SpanInput], responses=KeptInUseOutput)
    def get(self, request: Request) -> Response:
        """Say how many parts were put to use again in the span, and about what they weigh."""
        span = self.span()
        found = kept.kept(self.workshop, span)
        return Response(KeptInUseOutput(_with_span(found, span, KeptInUseOutput)).data)


class LastingFigures(_OfASpan):
    @extend_schema(parameters=[SpanInput], responses=LastingOutput)
    def get(self, request: Request) -> Response:
        """Say how long parts fitted in the span last, by grade and by kind."""
        span = self.span()
        found = lasts.how_long(self.workshop, span)
        return Response(LastingOutput(_with_span(found, span, LastingOutput)).data)


class LookFor(MemberView):
    @extend_schema(parameters=PAGED, responses=LookForPage, examples=[LOOK_FOR])
    def get(self, request: Request) -> Response:
        """List the machines whose arrival would complete most waiting jobs, as worked out last."""
        paginator = self.settings.DEFAULT_PAGINATION_CLASS()
        page = paginator.paginate_queryset(looked_for.rows(self.workshop), request, view=self)
        found = looked_for.shown(self.workshop, page)
        answer: Response = paginator.get_paginated_response(LookForOutput(found, many=True).data)
        return answer
