"""API of what passes alerts on: a member's choices and feed, the owner's webhooks, the count."""

from datetime import time
from typing import Any
from uuid import UUID

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import selectors
from matching.api.filters import DeliveryFilter
from matching.domain.echo.times import Way
from matching.echo import choices, webhooks
from matching.echo.choices import Choices, KindChoice
from matching.echo_models import WAYS
from matching.models import Delivery, EchoSettings, WebhookEndpoint
from matching.web.echo import feed_address
from workshop.api import MemberView, filtered, list_schema
from workshop.models import Role

STATES = ["waiting", "held", "sent", "dropped", "given up"]


class KindChoiceField(serializers.Serializer[Any]):
    mail = serializers.ChoiceField(WAYS, required=False, default=Way.AT_ONCE.value)
    in_feed = serializers.BooleanField(required=False, default=True)


class ChoicesInput(serializers.Serializer[Any]):
    """What a member chooses. A kind of news left out stays as it is."""

    mail_on = serializers.BooleanField(required=False, default=False)
    address = serializers.CharField(max_length=254, required=False, default="", allow_blank=True)
    time_zone = serializers.CharField(max_length=64, required=False, default="UTC")
    daily_at = serializers.TimeField(required=False, default=time(7))
    quiet_from = serializers.TimeField(required=False, default=None, allow_null=True)
    quiet_to = serializers.TimeField(required=False, default=None, allow_null=True)
    kinds = serializers.DictField(child=KindChoiceField(), required=False, default=dict)


class ChoicesOutput(ChoicesInput):
    mail_works = serializers.BooleanField(help_text="false: this site has no mail server")
    confirmed = serializers.BooleanField(
        help_text="false: nothing is mailed until the link in the mail to this address is opened"
    )
    has_feed = serializers.BooleanField()


class FeedOutput(serializers.Serializer[Any]):
    address = serializers.CharField(help_text="secret; shown this once")


class UnreadOutput(serializers.Serializer[Any]):
    unread = serializers.IntegerField()


class MyAlerts(MemberView):
    @extend_schema(responses=ChoicesOutput)
    def get(self, request: Request) -> Response:
        """Return how alerts reach you: mail, times, feed, and the choice by kind of news."""
        return Response(_choices(choices.settings_of(self.member)))

    @extend_schema(request=ChoicesInput, responses=ChoicesOutput)
    def put(self, request: Request) -> Response:
        """Say how alerts reach you. They stand in your inbox whatever you choose."""
        given = self.valid(ChoicesInput)
        kinds = {
            news: KindChoice(Way(one["mail"]), one["in_feed"])
            for news, one in given.pop("kinds").items()
        }
        row = choices.save_choices(
            member=self.member, choices=Choices(**given, kinds=kinds), now=timezone.now()
        )
        return Response(_choices(row))


def _choices(row: EchoSettings) -> Any:
    kinds = {
        news: {"mail": one.mail.value, "in_feed": one.in_feed}
        for news, one in choices.kinds_of(row).items()
    }
    found = {
        "mail_on": row.mail_on,
        "address": row.address,
        "time_zone": row.time_zone,
        "daily_at": row.daily_at,
        "quiet_from": row.quiet_from,
        "quiet_to": row.quiet_to,
        "kinds": kinds,
        "mail_works": choices.mail_is_set_up(),
        "confirmed": bool(row.address) and row.confirmed == row.address,
        "has_feed": bool(row.feed_hash),
    }
    return ChoicesOutput(found).data


class MyFeed(MemberView):
    secret_reply = True

    @extend_schema(request=None, responses={201: FeedOutput})
    def post(self, request: Request) -> Response:
        """Give your Atom feed a new secret address; the one before leads nowhere."""
        token = choices.make_feed(member=self.member, now=timezone.now())
        return Response({"address": feed_address(request, token)}, status=201)

    @extend_schema(responses={204: None})
    def delete(self, request: Request) -> Response:
        """End your feed."""
        choices.end_feed(member=self.member)
        return Response(status=204)


class UnreadCount(MemberView):
    @extend_schema(responses=UnreadOutput)
    def get(self, request: Request) -> Response:
        """Return how many of your alerts are unread: one indexed count, to be asked often."""
        return Response({"unread": selectors.count_unread(self.member)})


class WebhookInput(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80)
    url = serializers.CharField(max_length=500)
    leaves_out = serializers.ListField(
        child=serializers.CharField(max_length=8), required=False, default=list, max_length=50
    )


WEBHOOK_FIELDS: tuple[str, ...] = (
    "id",
    "name",
    "url",
    "leaves_out",
    "added_by",
    "added_at",
    "paused_at",
    "paused_because",
    "failing_since",
    "old_until",
    "waiting",
    "given_up",
)


class WebhookOutput(serializers.ModelSerializer[WebhookEndpoint]):
    added_by = serializers.CharField(source="added_by.user.username")
    leaves_out = serializers.ListField(child=serializers.CharField())
    waiting = serializers.IntegerField()
    given_up = serializers.IntegerField()

    class Meta:
        model = WebhookEndpoint
        fields = WEBHOOK_FIELDS


class WebhookSecretOutput(WebhookOutput):
    secret = serializers.CharField(help_text="whsec_...; shown this once")

    class Meta:
        model = WebhookEndpoint
        fields = (*WEBHOOK_FIELDS, "secret")


class DeliveryOutput(serializers.ModelSerializer[Delivery]):
    message_id = serializers.SerializerMethodField(help_text="webhook-id; blank for a mail")
    to = serializers.SerializerMethodField(help_text="the member, or the webhook's name")
    state = serializers.SerializerMethodField()
    alerts = serializers.IntegerField(source="alert_count")

    class Meta:
        model = Delivery
        fields = (
            "id",
            "message_id",
            "channel",
            "to",
            "state",
            "alerts",
            "made_at",
            "available_at",
            "attempts",
            "tried_at",
            "last_status",
            "last_error",
            "done_at",
            "dropped",
            "dead_at",
        )

    def get_message_id(self, row: Delivery) -> str:
        return webhooks.message_id(row) if row.endpoint_id else ""

    def get_to(self, row: Delivery) -> str:
        return row.endpoint.name if row.endpoint else str(row.member)

    @extend_schema_field(serializers.ChoiceField(STATES))
    def get_state(self, row: Delivery) -> str:
        return row.state


class OwnerView(MemberView):
    role = Role.OWNER
    read_role = Role.OWNER


class Webhooks(OwnerView):
    secret_reply = True

    @list_schema(WebhookOutput)
    def get(self, request: Request) -> Response:
        """List the addresses alerts are sent to."""
        return self.pages(webhooks.list_endpoints(self.workshop), WebhookOutput)

    @extend_schema(
        request=WebhookInput,
        responses={201: WebhookSecretOutput},
        examples=[
            OpenApiExample(
                "added",
                {"name": "the counter's screen", "url": "https://hooks.example.com/alerts"},
                request_only=True,
            )
        ],
    )
    def post(self, request: Request) -> Response:
        """Have alerts sent to an address, signed by Standard Webhooks. The secret comes once."""
        row, secret = webhooks.add_endpoint(
            workshop=self.workshop,
            member=self.member,
            now=timezone.now(),
            **self.valid(WebhookInput),
        )
        return Response(_with_secret(self, row.pk, secret), status=201)


def _with_secret(view: MemberView, pk: int, secret: str) -> Any:
    row: Any = webhooks.get_endpoint(view.workshop, pk)
    row.secret = secret
    return WebhookSecretOutput(row).data


class WebhookDetail(OwnerView):
    @extend_schema(responses=WebhookOutput)
    def get(self, request: Request, pk: int) -> Response:
        """Return one address with its state."""
        return Response(WebhookOutput(webhooks.get_endpoint(self.workshop, pk)).data)

    @extend_schema(responses={204: None})
    def delete(self, request: Request, pk: int) -> Response:
        """Remove an address, and the list of what was sent there."""
        webhooks.remove_endpoint(workshop=self.workshop, endpoint_id=pk)
        return Response(status=204)


class PauseWebhook(OwnerView):
    @extend_schema(request=None, responses=WebhookOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Send nothing more there; what waits is held."""
        webhooks.pause_endpoint(workshop=self.workshop, endpoint_id=pk, now=timezone.now())
        return Response(WebhookOutput(webhooks.get_endpoint(self.workshop, pk)).data)


class ResumeWebhook(OwnerView):
    @extend_schema(request=None, responses=WebhookOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Send there again, what was held first."""
        webhooks.resume_endpoint(workshop=self.workshop, endpoint_id=pk, now=timezone.now())
        return Response(WebhookOutput(webhooks.get_endpoint(self.workshop, pk)).data)


class RotateWebhook(OwnerView):
    secret_reply = True

    @extend_schema(request=None, responses=WebhookSecretOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Make a new secret; the one before signs as well for 24 hours."""
        _, secret = webhooks.rotate_secret(
            workshop=self.workshop, endpoint_id=pk, now=timezone.now()
        )
        return Response(_with_secret(self, pk, secret))


class Deliveries(OwnerView):
    @list_schema(DeliveryOutput, DeliveryFilter)
    def get(self, request: Request) -> Response:
        """List mails and webhooks, latest first; ?given_up=true for those given up on."""
        rows = webhooks.list_deliveries(self.workshop)
        return self.pages(filtered(DeliveryFilter, request, rows), DeliveryOutput)


class SendAgain(OwnerView):
    @extend_schema(request=None, responses=DeliveryOutput)
    def post(self, request: Request, pk: UUID) -> Response:
        """Have a mail or webhook sent again under the same id."""
        webhooks.send_again(workshop=self.workshop, delivery_id=pk, now=timezone.now())
        return Response(DeliveryOutput(webhooks.list_deliveries(self.workshop).get(pk=pk)).data)
