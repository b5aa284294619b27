"""API of labels: the sheets there are, and a PDF of labels."""

from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from parts import labels, selectors
from parts.domain.labels.sheets import MOST_SHIFT
from parts.models import AVAILABLE
from parts.reference import label_sheets
from workshop.api import FileRenderer, MemberView


class SheetOutput(serializers.Serializer[Any]):
    """A sheet of labels on A4 (210 x 297 mm), by its own dimensions."""

    slug = serializers.CharField()
    words = serializers.CharField()
    columns = serializers.IntegerField()
    rows = serializers.IntegerField()
    label_mm = serializers.ListField(child=serializers.FloatField(), source="label")
    margin_mm = serializers.ListField(child=serializers.FloatField(), source="margin")
    pitch_mm = serializers.ListField(child=serializers.FloatField(), source="pitch")


class LabelsInput(serializers.Serializer[Any]):
    """Parts by reference, or all in stock of a donor or in a bin; and what to print on.

    `sheet` is the slug of a sheet, or `roll` with its width and length. `start` is the first
    free position of a half-used sheet, from 1, row by row.
    """

    parts = serializers.ListField(
        child=serializers.CharField(max_length=130),
        required=False,
        default=list,
        max_length=labels.MOST_LABELS,
    )
    donor = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    bin = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    sheet = serializers.SlugField(max_length=40)
    width_mm = serializers.FloatField(required=False, default=None, allow_null=True)
    length_mm = serializers.FloatField(required=False, default=None, allow_null=True)
    start = serializers.IntegerField(required=False, default=1, min_value=1, max_value=1000)
    dx_mm = serializers.FloatField(
        required=False, default=0.0, min_value=-MOST_SHIFT, max_value=MOST_SHIFT
    )
    dy_mm = serializers.FloatField(
        required=False, default=0.0, min_value=-MOST_SHIFT, max_value=MOST_SHIFT
    )


class PdfRenderer(FileRenderer):
    media_type = "application/pdf"
    format = "pdf"


class LabelSheets(MemberView):
    @extend_schema(operation_id="list_label_sheets", responses=SheetOutput(many=True))
    def get(self, request: Request) -> Response:
        """List the sheets of labels there are, the smallest labels first."""
        return Response(SheetOutput(label_sheets(), many=True).data)


class Labels(MemberView):
    reads_only = True
    renderer_classes = (PdfRenderer, JSONRenderer)

    @extend_schema(
        request=LabelsInput,
        responses={
            (200, "application/pdf"): OpenApiResponse(
                OpenApiTypes.BINARY, "The labels. Print them at 100 %, not fitted to the page."
            )
        },
    )
    def post(self, request: Request) -> HttpResponse:
        """Return the labels of parts as PDF. Nothing is stored."""
        given = self.valid(LabelsInput)
        sheet = labels.get_sheet(
            given.pop("sheet"), width_mm=given.pop("width_mm"), length_mm=given.pop("length_mm")
        )
        refs = self._refs(given.pop("parts"), given.pop("donor"), given.pop("bin"))
        found = labels.print_labels(workshop=self.workshop, refs=refs, sheet=sheet, **given)
        return HttpResponse(found, content_type="application/pdf")

    def _refs(self, named: list[str], donor: str, place: str) -> list[str]:
        if named or not (donor or place):
            return named
        rows = selectors.list_parts(self.workshop).filter(state__in=AVAILABLE)
        rows = rows.filter(donor__ref=donor) if donor else rows
        rows = rows.filter(bin=place) if place else rows
        return list(rows.values_list("ref", flat=True)[: labels.MOST_LABELS + 1])
