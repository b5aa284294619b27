"""API of the bench form: what is asked of a part, what answers would say, recording them."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from parts import bench_tests, selectors
from parts.bench_tests import Answers, Known, Other, Trial
from parts.domain.bench.limits import Standing
from parts.domain.bench.verdicts import Outcome
from parts.domain.bench_forms.inputs import Ask, Input
from parts.domain.bench_forms.rows import Stage
from parts.domain.bench_forms.ways import WAYS
from parts.models import BenchTest, Grade, Part
from workshop.api import MemberView, list_schema

OUTCOMES = [(one.value, one.words) for one in Outcome]
STANDINGS = [(one.value, one.words) for one in Standing]
STAGES = [(one.value, one.words) for one in Stage]
ASKS = [(one.value, one.value) for one in Ask]
MOST_READINGS = 60


@extend_schema_field(OpenApiTypes.ANY)
class ReadingField(serializers.Field[Any, Any, Any, Any]):
    """A figure, as number or text; "open" for no connection; an answer's value; null is blank."""

    def to_internal_value(self, data: Any) -> str:
        if isinstance(data, bool) or not isinstance(data, int | float | str):
            raise serializers.ValidationError("Give a number, or text such as 26.4 or open.")
        text = serializers.CharField(max_length=200, allow_blank=True)
        found: str = text.run_validation(data if isinstance(data, str) else repr(data))
        return found

    def to_representation(self, value: Any) -> Any:
        return value


class AnswersField(serializers.DictField):
    """Readings by the names of the inputs in bench-form."""

    child = ReadingField(allow_null=True)

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        found: dict[str, Any] = super().to_internal_value(data)
        if len(found) > MOST_READINGS:
            raise serializers.ValidationError(f"At most {MOST_READINGS} readings are kept.")
        for key in found:
            serializers.CharField(max_length=80).run_validation(key)
        return found


class OtherInput(serializers.Serializer[Any]):
    """A test the form does not foresee: stated, held against no limit."""

    method = serializers.CharField(max_length=150)
    verdict = serializers.ChoiceField(BenchTest.Verdict.choices)
    said = serializers.CharField(max_length=300, required=False, default="", allow_blank=True)


class ReadingsInput(serializers.Serializer[Any]):
    """What was measured and seen on one part on one day."""

    tested_on = serializers.DateField()
    readings = AnswersField(required=False, default=dict)
    other = OtherInput(required=False, allow_null=True, default=None)
    meter = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    looks_worn = serializers.BooleanField(required=False, default=False)
    note = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)


class VerdictOutput(serializers.Serializer[Any]):
    """One verdict: the reading, the limit it was held against, what that is worth, its source."""

    slug = serializers.CharField()
    stage = serializers.CharField()
    test = serializers.CharField()
    outcome = serializers.ChoiceField(OUTCOMES)
    measured = serializers.JSONField(help_text='a number in `unit`, "open", or null')
    unit = serializers.CharField()
    limit = serializers.CharField(help_text="in words; blank where nothing was measured")
    low = serializers.FloatField(allow_null=True)
    high = serializers.FloatField(allow_null=True)
    doubtful_low = serializers.FloatField(allow_null=True)
    doubtful_high = serializers.FloatField(allow_null=True)
    standing = serializers.ChoiceField(STANDINGS)
    standing_words = serializers.CharField()
    plausible_only = serializers.BooleanField()
    # `source` is an argument of every field: a declared one needs its type said.
    source: Any = serializers.CharField()
    sentence = serializers.CharField()


class TrialOutput(serializers.Serializer[Any]):
    """What answers would give. Nothing is saved."""

    outcome = serializers.ChoiceField(OUTCOMES)
    verdict = serializers.ChoiceField(BenchTest.Verdict.choices)
    verdicts = VerdictOutput(many=True)
    grade = serializers.ChoiceField(Grade.choices)
    grade_reason = serializers.CharField()
    grade_falls_on = serializers.DateField(allow_null=True)


class ChoiceOutput(serializers.Serializer[Any]):
    value = serializers.CharField()
    words = serializers.CharField()


class InputOutput(serializers.Serializer[Any]):
    """One input. `required`: a reading cannot be judged without it. `value`: what is known."""

    name = serializers.CharField()
    label: Any = serializers.CharField()
    unit = serializers.CharField()
    type = serializers.ChoiceField(ASKS)
    required: Any = serializers.BooleanField()
    help = serializers.CharField()
    choices = ChoiceOutput(many=True)
    value = serializers.CharField()
    value_from = serializers.CharField(help_text="whence the value is known")


class FormTestOutput(serializers.Serializer[Any]):
    """One test of the form. `instead_of`: tests that may stand in for it."""

    slug = serializers.CharField()
    name = serializers.CharField()
    stage = serializers.ChoiceField(STAGES)
    do = serializers.CharField()
    needed = serializers.BooleanField()
    instead_of = serializers.ListField(child=serializers.CharField())
    inputs = serializers.ListField(child=serializers.CharField(), help_text="names of inputs")
    source: Any = serializers.CharField()


class BenchFormOutput(serializers.Serializer[Any]):
    """What is asked of one part, in the order of a bench test."""

    part_ref = serializers.CharField()
    kind = serializers.CharField()
    never_reused = serializers.BooleanField()
    tests = FormTestOutput(many=True)
    inputs = InputOutput(many=True)
    cautions = serializers.ListField(child=serializers.CharField())
    source: Any = serializers.CharField()


class BenchRecordOutput(serializers.ModelSerializer[BenchTest]):
    """A bench test on record. `readings`: as they were given."""

    part_ref = serializers.CharField(source="part.ref")
    tested_by = serializers.CharField(source="tested_by.user.username", default="")
    verdicts = VerdictOutput(many=True)

    class Meta:
        model = BenchTest
        fields: ClassVar[tuple[str, ...]] = (
            "id",
            "part_ref",
            "tested_on",
            "tested_by",
            "verdict",
            "verdicts",
            "readings",
            "meter",
            "looks_worn",
            "method",
            "note",
        )


class BenchRecordedOutput(BenchRecordOutput):
    """A test just recorded, with the grade the part has now and what that rests on."""

    grade = serializers.CharField(source="part.grade")
    grade_reason = serializers.CharField(source="part.grade_reason")
    grade_falls_on = serializers.DateField(source="part.grade_falls_on", allow_null=True)

    class Meta(BenchRecordOutput.Meta):
        fields: ClassVar[tuple[str, ...]] = (
            *BenchRecordOutput.Meta.fields,
            "grade",
            "grade_reason",
            "grade_falls_on",
        )


def answers_from(given: Mapping[str, Any]) -> Answers:
    other = Other(**given["other"]) if given["other"] else Other()
    return Answers(**{**given, "other": other})


class BenchForm(MemberView):
    @extend_schema(responses=BenchFormOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Return what a bench test of this part asks, filled in where the part is known."""
        part = selectors.get_part(self.workshop, ref)
        return Response(BenchFormOutput(form_row(part)).data)


class PreviewBenchTest(MemberView):
    reads_only = True

    @extend_schema(request=ReadingsInput, responses=TrialOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Return the verdicts and the grade that readings would give. Saves nothing."""
        trial = bench_tests.try_readings(
            workshop=self.workshop,
            ref=ref,
            answers=answers_from(self.valid(ReadingsInput)),
            on=timezone.localdate(),
        )
        return Response(TrialOutput(trial_row(trial)).data)


class BenchRecords(MemberView):
    @list_schema(BenchRecordOutput)
    def get(self, request: Request, ref: str) -> Response:
        """List the bench tests of a part, newest first."""
        part = selectors.get_part(self.workshop, ref)
        return self.pages(selectors.list_bench_tests(part), BenchRecordOutput)

    @extend_schema(request=ReadingsInput, responses={201: BenchRecordedOutput})
    def post(self, request: Request, ref: str) -> Response:
        """Record readings: each is judged, and the part graded by the verdicts and its age."""
        test = bench_tests.record_readings(
            workshop=self.workshop,
            ref=ref,
            answers=answers_from(self.valid(ReadingsInput)),
            tested_by=self.member,
            on=timezone.localdate(),
        )
        return Response(BenchRecordedOutput(test).data, status=201)


def trial_row(trial: Trial) -> dict[str, Any]:
    return {
        "outcome": trial.outcome,
        "verdict": trial.verdict,
        "verdicts": trial.verdicts,
        "grade": trial.grade,
        "grade_reason": trial.reason,
        "grade_falls_on": trial.falls_on,
    }


def form_row(part: Part) -> dict[str, Any]:
    """Return a part's form as plain values."""
    form, known = bench_tests.form_of(part), bench_tests.known_of(part)
    cautions = selectors.list_cautions(
        part.donor.appliance_id if part.donor else "", [part.kind_id]
    )
    charges = bench_tests.charges_of(part)
    return {
        "part_ref": part.ref,
        "kind": part.kind_id,
        "never_reused": part.kind.reuse == "never",
        "tests": [
            {
                "slug": test.slug,
                "name": test.name,
                "stage": test.stage,
                "do": test.do,
                "needed": form.is_needed(test),
                "instead_of": list(form.alternatives(test)),
                "inputs": [one.name for one in WAYS[test.way].inputs(test)],
                "source": test.source,
            }
            for test in form.tests
        ],
        "inputs": [_input_row(one, known) for one in form.inputs.values()],
        "cautions": [*(one.caution() for one in charges), *(one.text for one in cautions)],
        "source": form.source,
    }


def _input_row(one: Input, known: Mapping[str, Known]) -> dict[str, Any]:
    filled = known.get(one.name, Known("", ""))
    return {
        "name": one.name,
        "label": one.label,
        "unit": one.unit,
        "type": one.type,
        "required": one.required,
        "help": one.help,
        "choices": [{"value": value, "words": words} for value, words in one.values],
        "value": filled.value,
        "value_from": filled.whence,
    }
