"""API of a job's triage and waiting odds, and of what a workshop reckons with."""

from dataclasses import asdict
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from donors.models import Appliance
from matching import triage_figures, triaging, waits
from matching.api import job_examples
from matching.domain.triage.rules_of_thumb import ADVICE
from matching.triage_figures import GUIDE, Figures, ShownRule, list_rules_of_thumb
from matching.triage_situation import weigh
from matching.triaging import Triage
from matching.waiting_odds import JobOdds
from workshop.api import MemberView, PriceField
from workshop.domain import money
from workshop.errors import NotFound
from workshop.models import Role, Workshop

_KEPT: dict[str, Any] = {"required": False, "default": None, "allow_null": True}


class QuoteInput(serializers.Serializer[Any]):
    """What a new part for one need costs and takes; or that there is none."""

    need = serializers.IntegerField(min_value=1, max_value=2**62)
    price = PriceField(**_KEPT)
    days = serializers.IntegerField(min_value=0, max_value=365, **_KEPT)
    not_to_be_had = serializers.BooleanField(default=False)


class EstimateInput(serializers.Serializer[Any]):
    """What is known of one job, as a whole; what is left out is not known."""

    new_machine = PriceField(**_KEPT, help_text="an equal new machine costs")
    age_years = serializers.FloatField(min_value=0, max_value=100, **_KEPT)
    labour_minutes = serializers.IntegerField(min_value=0, max_value=1440, **_KEPT)
    patience_days = serializers.IntegerField(min_value=0, max_value=3650, **_KEPT)
    high_end = serializers.BooleanField(default=False)
    major_faults = serializers.IntegerField(min_value=0, max_value=20, **_KEPT)
    major_part = serializers.BooleanField(**_KEPT)
    safety_corrosion = serializers.BooleanField(**_KEPT)
    new_parts = QuoteInput(many=True, required=False, default=list)


class OptionOutput(serializers.Serializer[Any]):
    """One first step and what follows as long as it does not work. Money as in `money_from`."""

    first = serializers.CharField()
    name = serializers.CharField()
    money = serializers.FloatField()
    p_runs = serializers.FloatField(help_text="chance that the machine runs in the end")
    days = serializers.FloatField()
    steps = serializers.ListField(child=serializers.CharField())


class ThresholdOutput(serializers.Serializer[Any]):
    assumption = serializers.CharField()
    now = serializers.FloatField()
    at = serializers.FloatField()
    wins = serializers.CharField()
    sentence = serializers.CharField()


class AssumptionOutput(serializers.Serializer[Any]):
    name = serializers.CharField()
    said = serializers.CharField()
    source = serializers.CharField(  # type: ignore[assignment]
        help_text="this job, this workshop, guide, or where it is from"
    )


class AdviceOutput(serializers.Serializer[Any]):
    slug = serializers.CharField(source="rule.slug")
    advises = serializers.CharField(source="rule.advises")
    applies = serializers.BooleanField(allow_null=True, help_text="null: a fact is unknown")
    words = serializers.CharField(source="rule.words")
    because = serializers.CharField()
    source = serializers.CharField(source="rule.source")  # type: ignore[assignment]


class ServedOutput(serializers.Serializer[Any]):
    job = serializers.CharField()
    margin = serializers.FloatField()
    chance = serializers.FloatField(
        help_text="that this machine completes the job and nothing else of ours would"
    )


class PointOutput(serializers.Serializer[Any]):
    days = serializers.FloatField()
    chance = serializers.FloatField()
    low = serializers.FloatField()
    high = serializers.FloatField()


class WaitingOutput(serializers.Serializer[Any]):
    """curve: day by day to 60, with the band of the middle 80 % of rates."""

    days = serializers.IntegerField()
    chance = serializers.FloatField()
    median_days = serializers.FloatField(allow_null=True)
    ahead = serializers.IntegerField(help_text="waiting jobs that come first")
    came = serializers.IntegerField(help_text="machines counted that could have served")
    since = serializers.DateField(allow_null=True)
    span_days = serializers.IntegerField()
    sentence = serializers.CharField()
    curve = PointOutput(many=True)


class TriageOutput(serializers.Serializer[Any]):
    job_ref = serializers.CharField()
    headline = serializers.CharField()
    best = serializers.CharField()
    runner_up = serializers.CharField(allow_blank=True)
    options = OptionOutput(many=True)
    thresholds = ThresholdOutput(many=True)
    assumptions = AssumptionOutput(many=True)
    rules_of_thumb = AdviceOutput(many=True)
    strip_value = serializers.FloatField()
    serves = ServedOutput(many=True)
    waiting = WaitingOutput()


EXAMPLE = OpenApiExample(
    "what is known",
    value={"new_machine": "480", "labour_minutes": 45, "patience_days": 14},
    request_only=True,
)


class JobTriage(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(responses=TriageOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Weigh an open job: what can be done, what it brings, what would change the answer."""
        return Response(self._triage(ref))

    @extend_schema(request=EstimateInput, responses=TriageOutput, examples=[EXAMPLE])
    def put(self, request: Request, ref: str) -> Response:
        """Note what is known of a job and weigh it with that."""
        given = self.valid(EstimateInput)
        quotes = {
            one["need"]: {
                "price_cents": one["price"],
                "days": one["days"],
                "not_to_be_had": one["not_to_be_had"],
            }
            for one in given.pop("new_parts")
        }
        given["new_machine_cents"] = given.pop("new_machine")
        triage_figures.estimate_job(workshop=self.workshop, ref=ref, known=given, quotes=quotes)
        return Response(self._triage(ref))

    def _triage(self, ref: str) -> Any:
        found = triaging.triage_job(self.workshop, ref, on=timezone.localdate())
        return TriageOutput(_as_row(found)).data


class JobWaiting(MemberView):
    @extend_schema(responses=WaitingOutput, examples=job_examples.WAITING)
    def get(self, request: Request, ref: str) -> Response:
        """Say how likely a donor comes in for an open job, by day."""
        weighed = weigh(self.workshop, ref, on=timezone.localdate())
        return Response(WaitingOutput(_waiting(weighed.odds)).data)


def _as_row(found: Triage) -> dict[str, Any]:
    decision, weighed = found.decision, found.weighed
    runner_up = decision.runner_up
    return {
        "job_ref": weighed.job.ref,
        "headline": found.headline,
        "best": decision.best.first,
        "runner_up": runner_up.first if runner_up else "",
        "options": [
            {
                **asdict(one),
                "name": triaging.NAMES[one.first],
                "steps": triaging.steps_in_words(one),
            }
            for one in decision.options
        ],
        "thresholds": decision.thresholds,
        "assumptions": weighed.assumptions,
        "rules_of_thumb": found.rules,
        "strip_value": weighed.breaking.strip,
        "serves": weighed.breaking.serves,
        "waiting": _waiting(weighed.odds),
    }


def _waiting(odds: JobOdds) -> dict[str, Any]:
    names = ("days", "chance", "median_days", "ahead", "came", "since", "span_days", "sentence")
    return {**{name: getattr(odds, name) for name in names}, "curve": odds.curve()}


class FigureOutput(serializers.Serializer[Any]):
    name = serializers.CharField()
    value = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class FiguresInput(serializers.Serializer[Any]):
    """A workshop's figures; null goes back to the guide, what is left out stays."""

    labour_per_hour = PriceField(required=False, allow_null=True)
    floor_per_week = PriceField(required=False, allow_null=True)
    metal = PriceField(required=False, allow_null=True)
    disposal = PriceField(required=False, allow_null=True)
    labour_minutes = serializers.IntegerField(
        min_value=0, max_value=1440, required=False, allow_null=True
    )
    new_part_days = serializers.IntegerField(
        min_value=0, max_value=365, required=False, allow_null=True
    )
    new_machines = serializers.DictField(
        child=PriceField(allow_null=True), required=False, default=dict
    )
    first_review_days = serializers.IntegerField(min_value=1, max_value=365, required=False)
    second_review_days = serializers.IntegerField(min_value=1, max_value=366, required=False)
    wait_days = serializers.IntegerField(min_value=1, max_value=366, required=False)


DAYS = ("first_review_days", "second_review_days", "wait_days")


class TriageFiguresView(MemberView):
    role = Role.OWNER

    @extend_schema(
        responses=FigureOutput(many=True),
        operation_id="triage_figures",
        examples=job_examples.TRIAGE_FIGURES,
    )
    def get(self, request: Request) -> Response:
        """List what a triage is reckoned from, and where each figure is from."""
        return Response(FigureOutput(_figure_rows(self.workshop), many=True).data)

    @extend_schema(
        request=FiguresInput,
        responses=FigureOutput(many=True),
        examples=job_examples.SET_FIGURES,
    )
    def put(self, request: Request) -> Response:
        """Set figures of the workshop."""
        given = self.valid(FiguresInput)
        days = {name: given.pop(name, getattr(self.workshop, name)) for name in DAYS}
        machines = given.pop("new_machines")
        figures = {name if name in GUIDE else f"{name}_cents": v for name, v in given.items()}
        waits.set_figures_and_days(
            workshop=self.workshop,
            figures=figures,
            new_machines=machines,
            first=days["first_review_days"],
            second=days["second_review_days"],
            wait_days=days["wait_days"],
            on=timezone.localdate(),
        )
        return Response(FigureOutput(_figure_rows(self.workshop), many=True).data)


def _figure_rows(workshop: Workshop) -> list[dict[str, Any]]:
    figures = Figures(workshop)
    rows = []
    for name in GUIDE:
        one = figures.get(name)
        is_money = name.endswith("_cents")
        value = money.to_text(int(one.value)) if is_money else f"{one.value:g}"
        rows.append({"name": name.removesuffix("_cents"), "value": value, "source": one.source})
    for slug in Appliance.objects.order_by("slug").values_list("slug", flat=True):
        one = figures.new_machine(slug)
        value = money.to_text(int(one.value))
        rows.append({"name": f"new_machines.{slug}", "value": value, "source": one.source})
    for name in DAYS:
        value = str(getattr(workshop, name))
        rows.append({"name": name, "value": value, "source": triage_figures.OWN})
    return rows


class ThumbOutput(serializers.Serializer[Any]):
    slug = serializers.CharField(source="rule.slug")
    words = serializers.CharField(source="rule.words")
    figure = serializers.FloatField(source="rule.figure", allow_null=True)
    advises = serializers.ChoiceField(ADVICE, source="rule.advises")
    shown = serializers.BooleanField()
    own = serializers.BooleanField(help_text="changed from the guide")
    refused = serializers.CharField(
        help_text="why a change stored earlier does not count; blank when nothing is wrong"
    )
    source = serializers.CharField(source="guide.source")  # type: ignore[assignment]


class ThumbInput(serializers.Serializer[Any]):
    figure = serializers.FloatField(**_KEPT)
    advises = serializers.ChoiceField(ADVICE)
    shown = serializers.BooleanField(default=True)


class RulesOfThumb(MemberView):
    @extend_schema(
        responses=ThumbOutput(many=True),
        operation_id="rules_of_thumb",
        examples=job_examples.THUMBS,
    )
    def get(self, request: Request) -> Response:
        """List the rules of thumb as this workshop has them. They never enter the money."""
        return Response(ThumbOutput(list_rules_of_thumb(self.workshop), many=True).data)


class RuleOfThumb(MemberView):
    role = Role.OWNER

    @extend_schema(responses=ThumbOutput, examples=job_examples.THUMBS)
    def get(self, request: Request, slug: str) -> Response:
        """Return one rule of thumb."""
        return Response(ThumbOutput(self._row(slug)).data)

    @extend_schema(request=ThumbInput, responses=ThumbOutput, examples=job_examples.SET_THUMB)
    def put(self, request: Request, slug: str) -> Response:
        """Change a rule of thumb for this workshop."""
        triage_figures.set_rule(workshop=self.workshop, slug=slug, **self.valid(ThumbInput))
        return Response(ThumbOutput(self._row(slug)).data)

    @extend_schema(responses={200: ThumbOutput}, examples=job_examples.THUMBS)
    def delete(self, request: Request, slug: str) -> Response:
        """Go back to the guide."""
        triage_figures.reset_rule(workshop=self.workshop, slug=slug)
        return Response(ThumbOutput(self._row(slug)).data)

    def _row(self, slug: str) -> ShownRule:
        for row in list_rules_of_thumb(self.workshop):
            if row.rule.slug == slug:
                return row
        raise NotFound(f"There is no rule of thumb {slug}.")
