"""API of build breaks: what was found, and a reviewer's decision on it."""

from typing import Any

import django_filters as filters
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import build_breaks
from matching.api.rules import NoteInput
from matching.models import BuildBreak
from workshop.api import MemberView, filtered, list_schema
from workshop.models import Role


class BreakFilter(filters.FilterSet):
    state = filters.ChoiceFilter(choices=BuildBreak.State.choices)
    kind = filters.CharFilter(field_name="kind_id")
    make = filters.CharFilter()
    family = filters.CharFilter()
    model = filters.CharFilter()


class BuildBreakOutput(serializers.ModelSerializer[BuildBreak]):
    """A change of a part at a date. The first machine of the new kind was built on a day from
    `changed_from` to `changed_to`; `chance` is how likely it is that there is a change at all.
    It holds in the whole family, or in the one revision or model named (a canonical number).
    `before` and `after` count the sightings of each number on either side."""

    kind = serializers.CharField(source="kind_id")
    decided_by = serializers.CharField(source="decided_by.user.username", default="")

    class Meta:
        model = BuildBreak
        fields = (
            "id",
            "kind",
            "make",
            "family",
            "revision",
            "model",
            "changed_from",
            "changed_to",
            "chance",
            "numbers_before",
            "numbers_after",
            "before",
            "after",
            "sightings",
            "state",
            "proposed_at",
            "decided_by",
            "decided_at",
            "note",
        )


class BuildBreaks(MemberView):
    @list_schema(BuildBreakOutput, BreakFilter)
    def get(self, request: Request) -> Response:
        """List build breaks, newest first."""
        rows = build_breaks.list_breaks(self.workshop)
        return self.pages(filtered(BreakFilter, request, rows), BuildBreakOutput)


class BuildBreakDetail(MemberView):
    @extend_schema(responses=BuildBreakOutput)
    def get(self, request: Request, pk: int) -> Response:
        """Return one build break."""
        return _shown(self, pk)


class _Decision(MemberView):
    role = Role.REVIEWER

    def decide(self, pk: int, act: Any) -> Response:
        act(
            workshop=self.workshop,
            break_id=pk,
            member=self.member,
            now=timezone.now(),
            note=self.valid(NoteInput)["note"],
        )
        return _shown(self, pk)


class AcceptBreak(_Decision):
    @extend_schema(request=NoteInput, responses=BuildBreakOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Put a proposed break in force: it counts as evidence, and needs are matched anew."""
        return self.decide(pk, build_breaks.accept_break)


class RejectBreak(_Decision):
    @extend_schema(request=NoteInput, responses=BuildBreakOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Turn a proposed break down. It comes up again only on materially more sightings."""
        return self.decide(pk, build_breaks.reject_break)


class RetireBreak(_Decision):
    @extend_schema(request=NoteInput, responses=BuildBreakOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Take an accepted break out of force; needs are matched anew."""
        return self.decide(pk, build_breaks.retire_break)


def _shown(view: MemberView, pk: int) -> Response:
    build_breaks.get_break(view.workshop, pk)
    row = build_breaks.list_breaks(view.workshop).get(pk=pk)
    return Response(BuildBreakOutput(row).data)
