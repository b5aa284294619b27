"""API of a job's electrical-safety check: what stands, beginning one, entering a step."""

from typing import Any

from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import safety, selectors
from matching.models import SafetyEntry
from matching.safety_views import WORDS, SafetyView, StepView, entry_of, safety_of
from parts.api.bench import OUTCOMES, STANDINGS
from parts.domain.electrical_safety.rules import LimitSet, ProtectionClass
from parts.domain.electrical_safety.sequence import Entry
from parts.reference import safety_rules
from workshop.api import MemberView
from workshop.errors import InputRefused
from workshop.models import Role

CLASSES = [(one.value, one.name.lower()) for one in ProtectionClass]
LIMIT_SETS = [(one.value, one.words) for one in LimitSet]
STATUSES = list(WORDS.items())


class SafetyInput(serializers.Serializer[Any]):
    """The machine. Null or left out: not known, and then the stricter rule holds."""

    protection_class = serializers.ChoiceField(CLASSES)
    limit_set = serializers.ChoiceField(
        LIMIT_SETS, required=False, default=LimitSet.AFTER_REPAIR.value
    )
    cable_m = serializers.FloatField(required=False, allow_null=True, default=None)
    cable_mm2 = serializers.FloatField(required=False, default=1.5)
    heating_kw = serializers.FloatField(required=False, allow_null=True, default=None)
    heating_connected = serializers.BooleanField(required=False, allow_null=True, default=None)
    unearthed_metal = serializers.BooleanField(required=False, allow_null=True, default=None)
    selv_output = serializers.BooleanField(required=False, allow_null=True, default=None)
    portable = serializers.BooleanField(required=False, allow_null=True, default=None)


@extend_schema_field(OpenApiTypes.ANY)
class EntryField(serializers.Field[Any, Any, Any, Any]):
    """true or false for what is looked at, a number in the step's unit, "open", or a name."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, bool | int | float):
            return data
        if not isinstance(data, str):
            raise serializers.ValidationError("Give true, false, a number, open, or a name.")
        return serializers.CharField(max_length=80).run_validation(data)

    def to_representation(self, value: Any) -> Any:
        return value


class StepInput(serializers.Serializer[Any]):
    step = serializers.SlugField(max_length=40)
    entry = EntryField()
    tester = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    note = serializers.CharField(max_length=300, required=False, default="", allow_blank=True)


class SafetyEntryOutput(serializers.ModelSerializer[SafetyEntry]):
    """What a step gave, when and by whom. A void one was repeated, or an earlier step was."""

    entry = serializers.JSONField(help_text='true, false, a number in `unit`, "open", or a name')
    by = serializers.CharField(source="by.user.username")

    class Meta:
        model = SafetyEntry
        fields = (
            "step",
            "entry",
            "outcome",
            "unit",
            "limit",
            "standing",
            "source",
            "sentence",
            "tester",
            "note",
            "by",
            "at",
            "voided_at",
            "void_because",
        )


class SafetyStepOutput(serializers.Serializer[Any]):
    """One step in its order. `may_be_entered`: no earlier one failed or is missing."""

    step = serializers.CharField()
    name = serializers.CharField()
    kind = serializers.CharField(help_text="yes-no, name, or the unit of its reading")
    do = serializers.CharField()
    outcome = serializers.ChoiceField(OUTCOMES)
    limit = serializers.CharField()
    standing = serializers.ChoiceField([("", ""), *STANDINGS])
    source: Any = serializers.CharField()
    sentence = serializers.CharField()
    may_be_entered = serializers.BooleanField()
    entered = SafetyEntryOutput(allow_null=True)


class FittedPartOutput(serializers.Serializer[Any]):
    """A used part in the machine: donor, part, bench test and person, as the entry names them."""

    part_ref = serializers.CharField()
    kind = serializers.CharField()
    donor_ref = serializers.CharField()
    fitted_on = serializers.DateField()
    tested_on = serializers.CharField(help_text="blank: no bench test on record")
    tested_by = serializers.CharField()
    test = serializers.CharField()
    safety_relevant = serializers.BooleanField()


class SafetyOutput(serializers.Serializer[Any]):
    """The check of a job. `required`: a safety-relevant used part was fitted."""

    job_ref = serializers.CharField()
    status = serializers.ChoiceField(STATUSES)
    required: Any = serializers.BooleanField()
    machine = SafetyInput(allow_null=True)
    next_step = serializers.CharField(help_text="blank: nothing is open")
    steps = SafetyStepOutput(many=True)
    fitted = FittedPartOutput(many=True, help_text="in the machine now")
    entry = FittedPartOutput(many=True, help_text="as the record named them")
    reopened = serializers.CharField(
        allow_blank=True, help_text="why what was checked counts no more: a part fitted, or failed"
    )
    void = SafetyEntryOutput(many=True)
    cautions = serializers.ListField(child=serializers.CharField())


class JobSafety(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(responses=SafetyOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Return how far the electrical-safety check of a job is, step by step."""
        return Response(_answer(self, ref))

    @extend_schema(request=SafetyInput, responses={201: SafetyOutput})
    def post(self, request: Request, ref: str) -> Response:
        """Begin the check for the job's machine. One that was in force is void then, and kept."""
        safety.begin_check(
            workshop=self.workshop,
            ref=ref,
            facts=self.valid(SafetyInput),
            member=self.member,
            now=timezone.now(),
        )
        return Response(_answer(self, ref), status=201)


class JobSafetySteps(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(request=StepInput, responses={201: SafetyOutput})
    def post(self, request: Request, ref: str) -> Response:
        """Enter one step. Repeating it voids every later one; out of order it is refused."""
        given = self.valid(StepInput)
        selectors.get_job(self.workshop, ref)
        safety.enter_step(
            workshop=self.workshop,
            ref=ref,
            step=given["step"],
            entry=_entry(given["step"], given["entry"]),
            member=self.member,
            now=timezone.now(),
            tester=given["tester"],
            note=given["note"],
        )
        return Response(_answer(self, ref), status=201)


def _entry(slug: str, value: Any) -> Entry:
    kinds = {step.slug: step.kind for step in safety_rules().steps}
    if slug not in kinds:
        known = ", ".join(kinds)
        raise InputRefused(
            f"There is no step {slug!r}; there are {known}.", fields={"step": "No such step."}
        )
    return safety.entry_from(kinds[slug], value)


def _answer(view: MemberView, ref: str) -> Any:
    job = selectors.get_job(view.workshop, ref)
    return SafetyOutput(_row(safety_of(view.workshop, job))).data


def _row(found: SafetyView) -> dict[str, Any]:
    following = found.sequence.next_step if found.sequence else None
    return {
        "job_ref": found.job.ref,
        "status": found.status,
        "required": found.required,
        "machine": found.check,
        "next_step": following.slug if following else "",
        "steps": [_step_row(one) for one in found.steps()],
        "fitted": [entry_of(one) for one in found.fitted],
        "entry": found.check.fitted if found.check else [],
        "reopened": found.reopened,
        "void": found.void,
        "cautions": list(found.cautions),
    }


def _step_row(one: StepView) -> dict[str, Any]:
    result = one.result
    return {
        "step": result.step.slug,
        "name": result.step.name,
        "kind": result.step.kind,
        "do": result.step.do,
        "outcome": result.outcome,
        "limit": str(result.limit) if result.limit else "",
        "standing": result.limit.standing if result.limit else "",
        "source": result.limit.source if result.limit else result.step.source,
        "sentence": result.sentence,
        "may_be_entered": one.open_now,
        "entered": one.entry,
    }
