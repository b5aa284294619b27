"""API of parts in doubt because a part of the same donor failed in use."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from parts import sisters
from parts.models import SisterWarning
from workshop.api import MemberView, list_schema
from workshop.models import Role


class SisterWarningOutput(serializers.ModelSerializer[SisterWarning]):
    part_ref = serializers.CharField(source="part.ref")
    failed_ref = serializers.CharField(source="failed.ref")

    class Meta:
        model = SisterWarning
        fields = ("id", "part_ref", "failed_ref", "raised_on", "cleared_on", "why_cleared")


class WhyInput(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=200)


class SisterWarnings(MemberView):
    @list_schema(SisterWarningOutput)
    def get(self, request: Request) -> Response:
        """List the parts in doubt: a part of their donor failed after it was fitted."""
        return self.pages(sisters.open_warnings(self.workshop.pk), SisterWarningOutput)


class EndSisterWarning(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(request=WhyInput, responses=SisterWarningOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Say why a part is no longer in doubt. A bench test it passes does so by itself."""
        warning = sisters.clear_warning(
            workshop=self.workshop,
            warning_id=pk,
            member=self.member,
            why=self.valid(WhyInput)["why"],
            on=timezone.localdate(timezone.now()),
        )
        return Response(SisterWarningOutput(warning).data)
