"""API of the strip plan of a donor, and of the work on its steps."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching.strip_planning import plan_donor
from parts import stripping
from parts.api.strip_steps import StripStepOutput
from parts.models import StepRecord, StepSpan
from parts.stripping import Came, PartReport, StepReport
from workshop.api import MemberView

MOST_MINUTES = 10_000


class PlanInput(serializers.Serializer[Any]):
    within_min = serializers.FloatField(
        required=False,
        default=None,
        allow_null=True,
        min_value=0,
        max_value=MOST_MINUTES,
        help_text="the minutes there are; left out for no limit",
    )


class WorthOutput(serializers.Serializer[Any]):
    """What a part's worth rests on. Money in the workshop's unit; chances 0..1."""

    part_ref = serializers.CharField(source="part.ref")
    kind = serializers.CharField(source="part.kind_id")
    position = serializers.CharField(source="part.position", allow_blank=True)
    label: Any = serializers.CharField()
    price = serializers.FloatField(help_text="what a good one goes for")
    price_basis = serializers.CharField()
    p_good = serializers.FloatField()
    p_good_because = serializers.CharField(source="good_because")
    p_asked = serializers.FloatField(help_text="that it is asked for within a year")
    requests = serializers.IntegerField(help_text="needs for the kind in the last 24 months")
    on_hand = serializers.IntegerField(help_text="parts of the kind taken out and not promised")
    wanted = serializers.BooleanField()
    job_ref = serializers.CharField(source="waiting.job_ref", default="", allow_blank=True)
    p_fit = serializers.FloatField(source="waiting.p_fit", default=None, allow_null=True)
    held = serializers.BooleanField(source="waiting.held", default=False)
    worth = serializers.FloatField(help_text="what a good one brings times p_good")


class PlannedPartOutput(serializers.Serializer[Any]):
    value = WorthOutput()
    planned = serializers.BooleanField()
    own_min = serializers.FloatField()
    share_min = serializers.FloatField(help_text="its share of the access it needs")
    net = serializers.FloatField(help_text="worth less own minutes and share")


class TimerOutput(serializers.ModelSerializer[StepSpan]):
    member = serializers.CharField(source="member.__str__")

    class Meta:
        model = StepSpan
        fields = ("step", "member_id", "member", "started_at", "stopped_at")


class PlanLineOutput(serializers.Serializer[Any]):
    """A step still to do. place: 1, 2 … in the plan, 0 outside it."""

    step = StripStepOutput()
    place = serializers.IntegerField()
    minutes = serializers.FloatField()
    starts_min = serializers.FloatField()
    first = serializers.ListField(
        child=serializers.CharField(), help_text="what has to be done before it, in words"
    )
    frees = serializers.ListField(child=serializers.CharField())
    parts = PlannedPartOutput(many=True)
    timers = TimerOutput(many=True, source="spans")


class LeftPartOutput(serializers.Serializer[Any]):
    value = WorthOutput()
    gain = serializers.FloatField(allow_null=True, help_text="what adding it to the plan brings")
    minutes = serializers.FloatField(allow_null=True, help_text="with the access it needs")
    why = serializers.CharField()


class StepRecordOutput(serializers.ModelSerializer[StepRecord]):
    """What became of a step. minutes: said by a person, else by the timer; null: not timed."""

    minutes = serializers.FloatField(allow_null=True)
    done_by = serializers.CharField(source="done_by.__str__")
    second_person = serializers.CharField(
        source="second_person.__str__", default=None, allow_null=True
    )
    certificate_id = serializers.IntegerField(allow_null=True)

    class Meta:
        model = StepRecord
        fields = (
            "step",
            "came",
            "done_on",
            "done_at",
            "done_by",
            "second_person",
            "licence",
            "certificate_id",
            "timed_min",
            "said_min",
            "minutes",
            "note",
        )


class PastStepOutput(serializers.Serializer[Any]):
    """A step that needs no more doing; without a record it is known from what is out."""

    step = StripStepOutput()
    record = StepRecordOutput(allow_null=True)


class StripPlanOutput(serializers.Serializer[Any]):
    """What to take off a donor, in which order, and why the rest stays."""

    donor_ref = serializers.CharField(source="donor.ref")
    appliance = serializers.CharField(source="donor.appliance_id")
    value = serializers.FloatField(source="plan.value")
    minutes = serializers.FloatField(source="plan.minutes")
    within_min = serializers.FloatField(source="plan.within_min", allow_null=True)
    rate_per_min = serializers.FloatField()
    lines = PlanLineOutput(many=True)
    others = PlanLineOutput(many=True)
    left = LeftPartOutput(many=True)
    loose = WorthOutput(many=True)
    past = PastStepOutput(many=True)
    absent = PastStepOutput(many=True)


class PartReportInput(serializers.Serializer[Any]):
    """What became of one part of the step. Parts not named stay in."""

    ref = serializers.CharField(max_length=130)
    came = serializers.ChoiceField(Came.choices, required=False, default=Came.OUT)
    bin = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    part_number = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    reason = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)


MINUTES: dict[str, Any] = {
    "required": False,
    "default": None,
    "allow_null": True,
    "max_value": 1440,
    "help_text": "said by a person where the timer was forgotten; goes before the timer",
}
ROW: dict[str, Any] = {
    "required": False,
    "default": None,
    "allow_null": True,
    "min_value": 1,
    "max_value": 2**62,
}


class FinishStepInput(serializers.Serializer[Any]):
    minutes = serializers.FloatField(**MINUTES)
    second_person = serializers.IntegerField(**ROW, help_text="member id; needed for two persons")
    certificate = serializers.IntegerField(**ROW, help_text="needed for licensed work")
    parts = serializers.ListField(
        child=PartReportInput(), required=False, default=list, max_length=100
    )
    found = serializers.CharField(
        max_length=500,
        required=False,
        default="",
        allow_blank=True,
        help_text="what differs from what was expected; noted on the donor",
    )


class LeaveOutInput(serializers.Serializer[Any]):
    came = serializers.ChoiceField(
        [StepRecord.Came.NOT_HERE.value, StepRecord.Came.NOT_NEEDED.value]
    )
    found = serializers.CharField(max_length=500, required=False, default="", allow_blank=True)


class CorrectMinutesInput(serializers.Serializer[Any]):
    minutes = serializers.FloatField(allow_null=True, max_value=1440)


class StripPlan(MemberView):
    @extend_schema(parameters=[PlanInput], responses=StripPlanOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Plan what to take off a donor, made anew from stock, waiting jobs and own times."""
        within = self.valid(PlanInput, request.query_params)["within_min"]
        found = plan_donor(self.workshop, ref, on=timezone.localdate(), within_min=within)
        return Response(StripPlanOutput(found).data)


class StartStep(MemberView):
    @extend_schema(request=None, responses=TimerOutput)
    def post(self, request: Request, ref: str, slug: str) -> Response:
        """Start your timer on a step. One of yours runs on a donor at a time."""
        return Response(TimerOutput(stripping.start_step(**_asked(self, ref, slug))).data)


class StopStep(MemberView):
    @extend_schema(request=None, responses=TimerOutput)
    def post(self, request: Request, ref: str, slug: str) -> Response:
        """Stop your timer on a step; its times add up."""
        return Response(TimerOutput(stripping.stop_step(**_asked(self, ref, slug))).data)


class FinishStep(MemberView):
    @extend_schema(request=FinishStepInput, responses={201: StepRecordOutput})
    def post(self, request: Request, ref: str, slug: str) -> Response:
        """Record a step as done and take its parts out, all or nothing."""
        given = self.valid(FinishStepInput)
        given["parts"] = [
            PartReport(**{**one, "came": Came(one["came"])}) for one in given["parts"]
        ]
        record = stripping.finish_step(**_asked(self, ref, slug), report=StepReport(**given))
        return Response(StepRecordOutput(record).data, status=201)


class LeaveOutStep(MemberView):
    @extend_schema(request=LeaveOutInput, responses={201: StepRecordOutput})
    def post(self, request: Request, ref: str, slug: str) -> Response:
        """Say that a step is not there on this machine, or not needed on it."""
        given = self.valid(LeaveOutInput)
        given["came"] = StepRecord.Came(given["came"])
        record = stripping.leave_out_step(**_asked(self, ref, slug), **given)
        return Response(StepRecordOutput(record).data, status=201)


class ReopenStep(MemberView):
    @extend_schema(request=None, responses={204: None})
    def post(self, request: Request, ref: str, slug: str) -> Response:
        """Take a step off the record: it was ticked by mistake. Parts that are out stay out."""
        stripping.reopen_step(workshop=self.workshop, donor_ref=ref, step=slug)
        return Response(status=204)


class StepMinutes(MemberView):
    @extend_schema(request=CorrectMinutesInput, responses=StepRecordOutput)
    def put(self, request: Request, ref: str, slug: str) -> Response:
        """Say how long a step really took; null trusts the timer."""
        minutes = self.valid(CorrectMinutesInput)["minutes"]
        record = stripping.correct_minutes(
            workshop=self.workshop, donor_ref=ref, step=slug, minutes=minutes
        )
        return Response(StepRecordOutput(record).data)


def _asked(view: MemberView, ref: str, slug: str) -> dict[str, Any]:
    return {
        "workshop": view.workshop,
        "donor_ref": ref,
        "step": slug,
        "member": view.member,
        "now": timezone.now(),
    }
