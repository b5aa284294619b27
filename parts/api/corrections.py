"""API of corrections of donors; what jobs share of it (matching/api/corrections.py)."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from donors.machine_columns import BUILD_KNOWN
from donors.selectors import get_donor
from parts import donor_corrections
from parts.api.serializers import MISMATCH_HELP
from workshop.api import MemberView


def text(most: int) -> serializers.CharField:
    """Return a field of a correction: left out, what is on record stays."""
    return serializers.CharField(max_length=most, required=False, allow_blank=True)


class HowInput(serializers.Serializer[Any]):
    """Why, for the record; and that what does not go together is meant so."""

    why = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)
    confirm_mismatch = serializers.BooleanField(
        required=False, default=False, help_text=MISMATCH_HELP
    )


class PlateCorrection(HowInput):
    """What of a plate was wrong. What is left out stays as it is; null or "" is not known."""

    make = text(80)
    model_number = text(80)
    serial_number = text(60)
    built_from = serializers.DateField(required=False, allow_null=True)
    built_to = serializers.DateField(required=False, allow_null=True)
    build_known = serializers.ChoiceField(BUILD_KNOWN, required=False, allow_blank=True)


class DonorCorrection(PlateCorrection):
    cause = serializers.SlugField(max_length=40, required=False, allow_blank=True)
    note = text(4000)


class CorrectionOutput(serializers.Serializer[Any]):
    """One line of the record; before and after in words, "" for nothing."""

    what = serializers.CharField()
    before = serializers.CharField(allow_blank=True)
    after = serializers.CharField(allow_blank=True)
    why = serializers.CharField(allow_blank=True)
    by = serializers.CharField(source="by.user.username", default="", allow_blank=True)
    at = serializers.DateTimeField()


def correct_donor(view: MemberView, ref: str) -> None:
    """Do what PATCH asks of a donor. Raises as donor_corrections.correct_donor does."""
    given = view.valid(DonorCorrection)
    how = {name: given.pop(name) for name in ("why", "confirm_mismatch")}
    donor_corrections.correct_donor(
        workshop=view.workshop,
        ref=ref,
        changes=given,
        member=view.member,
        now=timezone.now(),
        **how,
    )


class DonorRecord(MemberView):
    @extend_schema(responses=CorrectionOutput(many=True))
    def get(self, request: Request, ref: str) -> Response:
        """List what was corrected of a donor, newest first: what it said before, who, when."""
        rows = donor_corrections.list_changes(get_donor(self.workshop, ref))
        return Response(CorrectionOutput(rows, many=True).data)
