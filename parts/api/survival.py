"""API of what is believed of parts before they are tested."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from parts.survival_table import Cell, survival_table
from workshop.api import MemberView


class SurvivalInput(serializers.Serializer[Any]):
    appliance = serializers.SlugField(max_length=40)
    age_years = serializers.FloatField(min_value=0, max_value=80, required=False, default=None)


class SurvivalOutput(serializers.Serializer[Any]):
    """A kind from machines scrapped for one cause. guide_percent is common practice, aged."""

    kind = serializers.CharField(source="kind.slug")
    cause = serializers.CharField(source="cause.slug")
    spoils_parts = serializers.BooleanField(source="cause.spoils_parts")
    guide_percent = serializers.FloatField(source="percent")
    good = serializers.IntegerField(source="belief.passed")
    failed = serializers.IntegerField(source="belief.failed")
    p_good = serializers.FloatField(source="belief.mean")
    range_90 = serializers.SerializerMethodField()

    def get_range_90(self, cell: Cell) -> list[float]:
        return list(cell.belief.range())


class Survival(MemberView):
    @extend_schema(parameters=[SurvivalInput], responses=SurvivalOutput(many=True))
    def get(self, request: Request) -> Response:
        """Return how likely untested parts of an appliance are good, by cause, with the counts."""
        given = self.valid(SurvivalInput, request.query_params)
        on = timezone.localdate(timezone.now())
        table = survival_table(self.workshop, on=on, **given)
        cells = [cell for _, row in table.rows for cell in row]
        return Response(SurvivalOutput(cells, many=True).data)
