"""API of strip steps: minutes guessed and learned, and a workshop's changes to them."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from parts import strip_steps
from parts.models import ToolClass
from parts.strip_steps import StepFacts
from workshop import services as workshop_services
from workshop.api import MemberView
from workshop.models import LICENCES, Role


class StripStepInput(serializers.Serializer[Any]):
    """A step of the workshop's own. needs: of every group any one step, by slug."""

    name = serializers.CharField(max_length=60)
    minutes = serializers.FloatField(min_value=0, max_value=1440)
    needs = serializers.ListField(
        child=serializers.ListField(
            child=serializers.SlugField(max_length=40), min_length=1, max_length=20
        ),
        required=False,
        default=list,
        max_length=20,
    )
    takes = serializers.ListField(
        child=serializers.CharField(max_length=82),
        required=False,
        default=list,
        max_length=40,
        help_text="part kinds, or kind/position",
    )
    tools = serializers.ListField(
        child=serializers.CharField(max_length=80), required=False, default=list, max_length=20
    )
    tool_class = serializers.ChoiceField(ToolClass.choices, required=False, default="none")
    cautions = serializers.ListField(
        child=serializers.CharField(max_length=400), required=False, default=list, max_length=20
    )
    two_persons = serializers.BooleanField(required=False, default=False)
    licence = serializers.ChoiceField(LICENCES, required=False, default="", allow_blank=True)


class StepMinutesInput(serializers.Serializer[Any]):
    minutes = serializers.FloatField(
        min_value=0,
        max_value=1440,
        allow_null=True,
        help_text="the workshop's own guess; null goes back to common practice",
    )


class StripStepOutput(serializers.Serializer[Any]):
    """A step as this workshop does it. minutes: planned with; own_times: how many were timed."""

    slug = serializers.CharField()
    name = serializers.CharField()
    guess_min = serializers.FloatField(source="time.guess_min")
    minutes = serializers.FloatField(source="time.minutes")
    own_times = serializers.IntegerField(source="time.count")
    needs = serializers.SerializerMethodField()
    takes = serializers.SerializerMethodField()
    tools = serializers.ListField(child=serializers.CharField())
    tool_class = serializers.ChoiceField(ToolClass.choices)
    cautions = serializers.ListField(child=serializers.CharField())
    two_persons = serializers.BooleanField()
    licence = serializers.CharField(allow_blank=True)
    usual = serializers.BooleanField(help_text="false: only some builds have it")
    own = serializers.BooleanField(help_text="added by this workshop")

    def get_needs(self, step: Any) -> list[list[str]]:
        return [sorted(group) for group in step.needs]

    def get_takes(self, step: Any) -> list[str]:
        return sorted(step.takes)


class StripSteps(MemberView):
    role = Role.REVIEWER

    @extend_schema(operation_id="list_strip_steps", responses=StripStepOutput(many=True))
    def get(self, request: Request, appliance: str) -> Response:
        """List the steps of stripping a kind of machine, as this workshop does them."""
        strip_steps.get_appliance(appliance)
        steps = strip_steps.list_steps(self.workshop.pk, appliance)
        return Response(StripStepOutput(steps, many=True).data)

    @extend_schema(request=StripStepInput, responses={201: StripStepOutput})
    def post(self, request: Request, appliance: str) -> Response:
        """Add a step of the workshop's own."""
        facts = StepFacts(**self.valid(StripStepInput))
        step = strip_steps.add_step(workshop=self.workshop, appliance=appliance, facts=facts)
        return Response(StripStepOutput(step).data, status=201)


class StripStepMinutes(MemberView):
    role = Role.REVIEWER

    @extend_schema(request=StepMinutesInput, responses=StripStepOutput)
    def put(self, request: Request, appliance: str, slug: str) -> Response:
        """Set the workshop's own guess of a step's minutes."""
        minutes = self.valid(StepMinutesInput)["minutes"]
        step = strip_steps.set_minutes(
            workshop=self.workshop, appliance=appliance, slug=slug, minutes=minutes
        )
        return Response(StripStepOutput(step).data)


class StripRateInput(serializers.Serializer[Any]):
    rate_per_min = serializers.FloatField(min_value=0, max_value=1000)


class StripRate(MemberView):
    role = Role.OWNER

    @extend_schema(responses=StripRateInput)
    def get(self, request: Request) -> Response:
        """Say what a minute of stripping costs, in the workshop's money."""
        return Response({"rate_per_min": self.workshop.strip_rate_per_min})

    @extend_schema(request=StripRateInput, responses=StripRateInput)
    def put(self, request: Request) -> Response:
        """Set what a minute of stripping costs."""
        rate = self.valid(StripRateInput)["rate_per_min"]
        workshop_services.set_strip_rate(workshop=self.workshop, rate_per_min=rate)
        return Response({"rate_per_min": rate})
