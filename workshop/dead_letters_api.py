"""API of events given up on. For owners: an error's text may speak of the server."""

from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from workshop import dead_letters
from workshop.api import MemberView, list_schema
from workshop.models import OutboxEvent, Replay, Role

EVENT = {
    "id": "5f0c8a52-7a0b-4f6c-9a58-0c6a0a2f4b11",
    "kind": "donors.donor-received",
    "about": "Donor received",
    "undone": dead_letters.UNDONE["donors"],
    "cause": dead_letters.CAUSES["OperationalError"],
    "error": "OperationalError: the connection is closed",
    "attempts": 8,
    "recorded_at": "2026-11-20T09:00:00Z",
    "dead_at": "2026-11-20T09:08:30Z",
    "request_id": "d41f3a0e5c6b4f0a9b7d1c2e3f405162",
}


@extend_schema_serializer(examples=[OpenApiExample("A machine came in", value=EVENT)])
class DeadLetterOutput(serializers.ModelSerializer[OutboxEvent]):
    """An event given up on: what it tells, what stays undone, why, and the last error as is."""

    about = serializers.SerializerMethodField()
    undone = serializers.SerializerMethodField()
    cause = serializers.SerializerMethodField()
    error = serializers.CharField(source="last_error")

    class Meta:
        model = OutboxEvent
        fields = (
            "id",
            "kind",
            "about",
            "undone",
            "cause",
            "error",
            "attempts",
            "recorded_at",
            "dead_at",
            "request_id",
        )

    def get_about(self, row: OutboxEvent) -> str:
        return dead_letters.about(row.kind)

    def get_undone(self, row: OutboxEvent) -> str:
        return dead_letters.undone(row.kind)

    def get_cause(self, row: OutboxEvent) -> str:
        return dead_letters.cause(row.last_error)


class ReplayOutput(serializers.ModelSerializer[Replay]):
    """One event that was tried again: by whom ("" is the server's own command), and when."""

    kind = serializers.CharField(source="event.kind")
    member = serializers.SerializerMethodField()

    class Meta:
        model = Replay
        fields = ("id", "event_id", "kind", "member", "at", "gave_up_at", "error")

    def get_member(self, row: Replay) -> str:
        return str(row.member or "")


class ReplayedOutput(serializers.Serializer[Any]):
    replayed = serializers.IntegerField(help_text="how many are due again")


class DeadLetters(MemberView):
    read_role = Role.OWNER

    @list_schema(DeadLetterOutput)
    def get(self, request: Request) -> Response:
        """List the events given up on, the latest first."""
        return self.pages(dead_letters.list_dead(self.workshop), DeadLetterOutput)


class Replays(MemberView):
    read_role = Role.OWNER

    @list_schema(ReplayOutput)
    def get(self, request: Request) -> Response:
        """List what was tried again, the latest first."""
        return self.pages(dead_letters.list_replays(self.workshop), ReplayOutput)


class ReplayAll(MemberView):
    role = Role.OWNER

    @extend_schema(
        request=None,
        responses=ReplayedOutput,
        examples=[OpenApiExample("Two", value={"replayed": 2}, response_only=True)],
    )
    def post(self, request: Request) -> Response:
        """Make every event given up on due again."""
        done = dead_letters.replay_all(
            workshop=self.workshop, member=self.member, now=timezone.now()
        )
        return Response({"replayed": done})


class ReplayOne(MemberView):
    role = Role.OWNER

    @extend_schema(
        request=None,
        responses=ReplayedOutput,
        examples=[OpenApiExample("One", value={"replayed": 1}, response_only=True)],
    )
    def post(self, request: Request, event_id: UUID) -> Response:
        """Make one event due again; one that is not given up on is refused (409)."""
        dead_letters.replay(
            workshop=self.workshop, event_id=event_id, member=self.member, now=timezone.now()
        )
        return Response({"replayed": 1})


urlpatterns = [
    path("dead-letters/", DeadLetters.as_view(), name="api-dead-letters"),
    path("dead-letters/replay-all/", ReplayAll.as_view(), name="api-dead-letters-replay"),
    path("dead-letters/replays/", Replays.as_view(), name="api-dead-letter-replays"),
    path(
        "dead-letters/<uuid:event_id>/replay/", ReplayOne.as_view(), name="api-dead-letter-replay"
    ),
]
