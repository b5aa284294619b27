"""Shapes of donors, parts and bench tests in the API."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from donors.api.serializers import (
    CandidateOutput,
    MachineOutput,
    PlateInput,
    candidates_of,
)
from parts.models import BenchTest, Part
from workshop.api import AttributesField, PastDateField, PriceField
from workshop.domain import money

MISMATCH_HELP = (
    "store it although the number is on record for another appliance, or such a machine has not "
    "the part; without it that is refused with 400"
)


class DonorInput(PlateInput):
    """A machine taken in. `no_plate`: nothing can be read, take it in without a number."""

    received_on = PastDateField()
    cause = serializers.SlugField(max_length=40, required=False, default="", allow_blank=True)
    note = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)
    ref = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    no_plate = serializers.BooleanField(required=False, default=False)
    confirm_mismatch = serializers.BooleanField(
        required=False, default=False, help_text=MISMATCH_HELP
    )


class DonorOutput(MachineOutput):
    ref = serializers.CharField()
    state = serializers.CharField()
    received_on = serializers.DateField()
    cause = serializers.CharField(source="cause.slug", default="")
    note = serializers.CharField()


class ConfirmInput(serializers.Serializer[Any]):
    model_id = serializers.IntegerField(min_value=1, max_value=2**62)


class PartOutput(serializers.ModelSerializer[Part]):
    donor_ref = serializers.CharField(source="donor.ref", default="")
    kind = serializers.CharField(source="kind_id")
    price = serializers.SerializerMethodField()

    class Meta:
        model = Part
        fields = (
            "ref",
            "short_code",
            "donor_ref",
            "kind",
            "position",
            "state",
            "part_number",
            "attributes",
            "grade",
            "grade_reason",
            "grade_falls_on",
            "bin",
            "price",
            "removed_on",
            "note",
        )

    def get_price(self, part: Part) -> str:
        return money.to_text(part.price_cents)


class CodeCandidate(serializers.Serializer[Any]):
    code = serializers.CharField()
    ref = serializers.CharField()
    kind = serializers.CharField()


class CodeProblem(serializers.Serializer[Any]):
    """Problem details (RFC 9457) with the codes that may have been meant."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    code = serializers.CharField()
    detail = serializers.CharField()
    errors: Any = serializers.ListField(child=serializers.DictField(child=serializers.CharField()))
    candidates = CodeCandidate(many=True)


class PartFactsInput(serializers.Serializer[Any]):
    """What was read off a part. A field left out stays as it is."""

    part_number = serializers.CharField(max_length=80, required=False, allow_blank=True)
    attributes = AttributesField(required=False)
    bin = serializers.CharField(max_length=40, required=False, allow_blank=True)
    price = PriceField(required=False)
    note = serializers.CharField(max_length=2000, required=False, allow_blank=True)


class LoosePartInput(PartFactsInput):
    kind = serializers.SlugField(max_length=40)
    position = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    received_on = PastDateField()


class RemoveInput(PartFactsInput):
    removed_on = PastDateField()


class ReadingsField(serializers.DictField):
    """Readings by name: {"winding_ohm": "52.9"}; names are checked like values."""

    child = serializers.CharField(max_length=200)
    name = serializers.CharField(max_length=60)
    most = 60

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        found: dict[str, Any] = super().to_internal_value(data)
        if len(found) > self.most:
            raise serializers.ValidationError(f"At most {self.most} readings are kept.")
        for key in found:
            self.name.run_validation(key)
        return found


class BenchTestInput(serializers.Serializer[Any]):
    """A test stated as a whole, held against no limit. Better: .../bench-tests/ with readings."""

    verdict = serializers.ChoiceField(BenchTest.Verdict.choices)
    method = serializers.CharField(max_length=200)
    tested_on = serializers.DateField()
    readings = ReadingsField(required=False, default=dict)
    note = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)


class BenchTestOutput(serializers.ModelSerializer[BenchTest]):
    part_ref = serializers.CharField(source="part.ref")
    grade = serializers.CharField(source="part.grade")

    class Meta:
        model = BenchTest
        fields = ("id", "part_ref", "verdict", "method", "tested_on", "readings", "note", "grade")


class CautionOutput(serializers.Serializer[Any]):
    hazard = serializers.CharField()
    text = serializers.CharField()
    licence = serializers.CharField()
    source: Any = serializers.CharField()


class TakenInOutput(DonorOutput):
    """A donor and, where its number is not known exactly, what it may be."""

    candidates = serializers.SerializerMethodField()

    @extend_schema_field(CandidateOutput(many=True))
    def get_candidates(self, donor: Any) -> list[dict[str, object]]:
        return candidates_of(donor)


class DonorPartOutput(TakenInOutput):
    """A donor with its parts and the cautions for stripping it."""

    parts = PartOutput(many=True)
    cautions = CautionOutput(many=True)
