"""Shapes of jobs, needs, matches, holds, fittings and alerts in the API."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from donors.api.serializers import (
    CandidateOutput,
    MachineOutput,
    PlateInput,
    RecognitionOutput,
    candidates_of,
)
from matching.models import Alert, Hold, Job, Match, Need, Outcome
from matching.safety_views import safety_of
from matching.triage_figures import is_corroded
from parts.api.serializers import MISMATCH_HELP
from workshop.api import AttributesField, PastDateField, PriceField
from workshop.domain import money

ID: dict[str, Any] = {"min_value": 1, "max_value": 2**62}


class NeedInput(serializers.Serializer[Any]):
    kind = serializers.SlugField(max_length=40)
    position = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    part_number = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    attributes = AttributesField(required=False, default=dict)
    max_price = PriceField(required=False, default=None, allow_null=True)


class JobInput(PlateInput):
    ref = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    opened_on = PastDateField()
    wait_until = serializers.DateField(required=False, default=None, allow_null=True)
    symptom = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)
    shown_code = serializers.CharField(
        max_length=20,
        required=False,
        default="",
        allow_blank=True,
        help_text="as it stands on the machine's display",
    )
    technician = serializers.IntegerField(required=False, default=None, allow_null=True, **ID)
    own_number = serializers.CharField(
        max_length=40,
        required=False,
        default="",
        allow_blank=True,
        help_text="what the workshop itself calls the job, such as a ticket number",
    )
    confirm_mismatch = serializers.BooleanField(
        required=False, default=False, help_text=MISMATCH_HELP
    )
    needs = serializers.ListField(
        child=NeedInput(),
        required=False,
        default=list,
        max_length=50,
        help_text="may be left out where symptom or shown_code is given",
    )


class NeedOutput(serializers.ModelSerializer[Need]):
    job_ref = serializers.CharField(source="job.ref")
    kind = serializers.CharField(source="kind_id")
    max_price = serializers.SerializerMethodField()

    class Meta:
        model = Need
        fields = (
            "id",
            "job_ref",
            "kind",
            "position",
            "part_number",
            "attributes",
            "max_price",
            "state",
            "searched_at",
        )

    def get_max_price(self, need: Need) -> str:
        return money.to_text(need.max_price_cents)


class JobOutput(MachineOutput):
    ref = serializers.CharField()
    state = serializers.CharField()
    opened_on = serializers.DateField()
    wait_until = serializers.DateField(allow_null=True)
    symptom = serializers.CharField()
    own_number = serializers.CharField(allow_blank=True)
    urgency = serializers.IntegerField(help_text="0 ordinary, 1 urgent, 2 very urgent")
    urgency_why = serializers.CharField(allow_blank=True)
    technician = serializers.IntegerField(source="technician_id", allow_null=True)
    needs = NeedOutput(many=True)


class OpenedOutput(JobOutput):
    """A job and, where its number is not known exactly, what it may be."""

    candidates = serializers.SerializerMethodField()
    safety_owed = serializers.SerializerMethodField(
        help_text="done, and its electrical safety check has not passed: do not hand it over"
    )
    safety_corrosion = serializers.SerializerMethodField(
        help_text="corrosion that bears on safety was found: do not hand it back running"
    )

    @extend_schema_field(CandidateOutput(many=True))
    def get_candidates(self, job: Any) -> list[dict[str, object]]:
        return candidates_of(job)

    def get_safety_owed(self, job: Job) -> bool:
        return safety_of(job.workshop, job).is_owed

    def get_safety_corrosion(self, job: Job) -> bool:
        return is_corroded(job)


class ReasonOutput(serializers.Serializer[Any]):
    """One row of an explanation. The bits of all rows sum to score_bits."""

    evidence = serializers.CharField()
    level = serializers.CharField(allow_blank=True)
    bits = serializers.FloatField()
    offered = serializers.CharField(allow_blank=True)
    wanted = serializers.CharField(allow_blank=True)
    sentence = serializers.CharField()


class MatchOutput(serializers.ModelSerializer[Match]):
    need = serializers.IntegerField(source="need_id")
    job_ref = serializers.CharField(source="need.job.ref")
    kind = serializers.CharField(source="need.kind_id")
    part_ref = serializers.CharField(source="part.ref")
    donor_ref = serializers.CharField(source="part.donor.ref", default="")
    part_number = serializers.CharField(source="part.part_number")
    state = serializers.CharField(source="part.state")
    grade = serializers.CharField(source="part.grade")
    bin = serializers.CharField(source="part.bin")
    price = serializers.SerializerMethodField()
    reasons = ReasonOutput(many=True)

    class Meta:
        model = Match
        fields = (
            "id",
            "need",
            "job_ref",
            "kind",
            "part_ref",
            "donor_ref",
            "part_number",
            "state",
            "grade",
            "bin",
            "price",
            "verdict",
            "score_bits",
            "p_fit",
            "p_good",
            "worth",
            "reasons",
            "scored_at",
        )

    def get_price(self, match: Match) -> str:
        return money.to_text(match.part.price_cents)


class FindInput(serializers.Serializer[Any]):
    text = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)
    make = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    kind = serializers.SlugField(max_length=40, required=False, default="", allow_blank=True)
    part_number = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    position = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    built_from = serializers.DateField(required=False, default=None, allow_null=True)
    built_to = serializers.DateField(required=False, default=None, allow_null=True)
    most = serializers.IntegerField(required=False, default=20, min_value=1, max_value=200)


class FoundPartOutput(serializers.Serializer[Any]):
    part_ref = serializers.CharField()
    kind = serializers.CharField()
    position = serializers.CharField(allow_blank=True)
    part_number = serializers.CharField(allow_blank=True)
    verdict = serializers.CharField()
    p_fit = serializers.FloatField()
    p_good = serializers.FloatField()
    worth = serializers.FloatField()
    score_bits = serializers.FloatField()
    reasons = ReasonOutput(many=True)
    condition = serializers.CharField()
    donor_ref = serializers.CharField(allow_blank=True)
    donor_make = serializers.CharField(allow_blank=True)
    donor_model_number = serializers.CharField(allow_blank=True)
    state = serializers.CharField()
    grade = serializers.CharField()
    bin = serializers.CharField(allow_blank=True)
    price = serializers.SerializerMethodField()
    reuse = serializers.CharField()
    reuse_advice = serializers.CharField(allow_blank=True)
    held_for = serializers.CharField(allow_blank=True)
    held_until = serializers.CharField(allow_blank=True)
    proposed_to = serializers.CharField(
        allow_blank=True, help_text="the job it stands proposed to; holding it then takes a note"
    )
    proposed_until = serializers.CharField(allow_blank=True)

    def get_price(self, row: dict[str, Any]) -> str:
        return money.to_text(row["price_cents"])


class FindOutput(serializers.Serializer[Any]):
    recognised = RecognitionOutput()
    kinds = serializers.ListField(child=serializers.CharField())
    results = FoundPartOutput(many=True)


class HoldInput(serializers.Serializer[Any]):
    part_ref = serializers.CharField(max_length=130)
    need = serializers.IntegerField(**ID)
    note = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)


class HoldOutput(serializers.ModelSerializer[Hold]):
    part_ref = serializers.CharField(source="part.ref")
    need = serializers.IntegerField(source="need_id")
    job_ref = serializers.CharField(source="need.job.ref")
    held_by = serializers.CharField(source="held_by.user.username")

    class Meta:
        model = Hold
        fields = (
            "id",
            "part_ref",
            "need",
            "job_ref",
            "held_by",
            "held_at",
            "expires_at",
            "released_at",
            "ended",
            "note",
        )


class FittedInput(serializers.Serializer[Any]):
    result = serializers.ChoiceField(Outcome.Result.choices)
    fitted_on = PastDateField()
    days_to_failure = serializers.IntegerField(
        required=False, default=None, allow_null=True, min_value=0, max_value=100_000
    )
    why = serializers.ChoiceField(
        Outcome.Why.choices,
        required=False,
        default="",
        allow_blank=True,
        help_text="why it did not fit; needed then, and only then",
    )
    note = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)


class OutcomeOutput(serializers.ModelSerializer[Outcome]):
    kind = serializers.CharField(source="kind_id")
    part_ref = serializers.CharField(source="part.ref", default="")
    warranty_until = serializers.DateField(source="part.warranty_until", default=None)

    class Meta:
        model = Outcome
        fields = (
            "id",
            "kind",
            "part_ref",
            "part_number",
            "donor_make",
            "donor_model_number",
            "job_make",
            "job_model_number",
            "job_part_number",
            "fitted_on",
            "result",
            "why",
            "days_to_failure",
            "warranty_until",
            "note",
        )


class FailureInput(serializers.Serializer[Any]):
    failed_on = PastDateField()
    note = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)


class AlertOutput(serializers.ModelSerializer[Alert]):
    job_ref = serializers.CharField(source="job.ref")
    need = serializers.IntegerField(
        source="need_id", allow_null=True, help_text="null: news of the job as a whole"
    )
    kind = serializers.CharField(source="need.kind_id", default="")
    part_ref = serializers.CharField(source="part.ref", default="")
    donor_ref = serializers.CharField(source="part.donor.ref", default="")
    listing_ref = serializers.CharField(source="listing.ref", default="")
    reasons = ReasonOutput(many=True)

    class Meta:
        model = Alert
        fields = (
            "id",
            "news",
            "arrival",
            "job_ref",
            "need",
            "kind",
            "part_ref",
            "donor_ref",
            "listing_ref",
            "summary",
            "verdict",
            "p_fit",
            "p_good",
            "reasons",
            "told_at",
            "read_at",
        )


class ReadAllOutput(serializers.Serializer[Any]):
    marked = serializers.IntegerField()
