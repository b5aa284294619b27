"""API of a workshop's own figures for holds, proposals and alerts."""

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching.own_figures import alert_percent, set_own_figures
from workshop.api import MemberView
from workshop.models import MOST_HOLD_DAYS, MOST_PROPOSAL_HOURS, Role, Workshop


class OwnFiguresInput(serializers.Serializer[Any]):
    """What is left out stays as it is."""

    hold_days = serializers.IntegerField(
        min_value=1, max_value=MOST_HOLD_DAYS, required=False, help_text="a hold lapses after"
    )
    proposal_hours = serializers.IntegerField(
        min_value=1, max_value=MOST_PROPOSAL_HOURS, required=False, help_text="a proposal too"
    )
    alert_from_percent = serializers.IntegerField(
        min_value=0, max_value=100, required=False, help_text="told of matches so likely to fit"
    )


def _figures(workshop: Workshop) -> dict[str, int]:
    return {
        "hold_days": workshop.hold_days,
        "proposal_hours": workshop.proposal_hours,
        "alert_from_percent": alert_percent(workshop),
    }


class OwnFigures(MemberView):
    role = Role.OWNER

    @extend_schema(responses=OwnFiguresInput, operation_id="own_figures")
    def get(self, request: Request) -> Response:
        """Return how long holds and proposals stand and from when somebody is told."""
        return Response(_figures(self.workshop))

    @extend_schema(
        request=OwnFiguresInput,
        responses=OwnFiguresInput,
        examples=[
            OpenApiExample("Three days", {"hold_days": 3, "proposal_hours": 24}, request_only=True)
        ],
    )
    def put(self, request: Request) -> Response:
        """Set them. What stands keeps the end it was given."""
        given = {**_figures(self.workshop), **self.valid(OwnFiguresInput)}
        return Response(_figures(set_own_figures(workshop=self.workshop, **given)))
