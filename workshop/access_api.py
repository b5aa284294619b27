"""API of signing in: tokens, the people of a workshop, invitations."""

from datetime import timedelta
from typing import Any

from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.authentication import BasicAuthentication
from rest_framework.exceptions import AuthenticationFailed, Throttled
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from workshop import members
from workshop.access import api_tokens, backend, people, second_step
from workshop.access.api_tokens import MOST_DAYS, ScopedToken
from workshop.api import MemberView, list_schema
from workshop.errors import InputRefused, NotAllowed
from workshop.models import ApiToken, Invitation, Member, Role, Scope

WAIT_SECONDS = 15 * 60


class LimitedBasic(BasicAuthentication):
    """Name and password in the header; says so when there were too many wrong ones."""

    def authenticate_credentials(self, userid: str, password: str, request: Any = None) -> Any:
        try:
            return super().authenticate_credentials(userid, password, request)
        except AuthenticationFailed:
            if getattr(request, "too_many_tries", False):
                raise Throttled(WAIT_SECONDS, backend.TOO_MANY) from None
            raise AuthenticationFailed(backend.WRONG) from None


class TokenInput(serializers.Serializer[Any]):
    name = serializers.CharField(
        max_length=60, default=api_tokens.SIGNED_IN, help_text="what it is for"
    )
    scope = serializers.ChoiceField(Scope.choices, default=Scope.ALL)
    days = serializers.IntegerField(
        min_value=1, max_value=MOST_DAYS, required=False, help_text="left out: ten hours"
    )
    code = serializers.CharField(
        max_length=40, default="", allow_blank=True, help_text="of the second step, where it is on"
    )


class TokenOutput(serializers.Serializer[Any]):
    token = serializers.CharField()
    expires_at = serializers.DateTimeField()
    scope = serializers.CharField()
    workshop = serializers.CharField()


class TokenFacts(serializers.ModelSerializer[ApiToken]):
    member = serializers.CharField(source="member.__str__")
    expires_at = serializers.DateTimeField(source="token.expiry")

    class Meta:
        model = ApiToken
        fields = ("id", "name", "scope", "member_id", "member", "made_at", "used_at", "expires_at")


class SignIn(APIView):
    authentication_classes = (LimitedBasic,)
    permission_classes = (IsAuthenticated,)

    @extend_schema(
        request=TokenInput,
        responses={201: TokenOutput},
        parameters=[OpenApiParameter("X-Workshop", str, OpenApiParameter.HEADER)],
    )
    def post(self, request: Request) -> Response:
        """Give a token; sign in with HTTP Basic. Send it as `Authorization: Token ...`.

        It works in one workshop: the one named by X-Workshop, else your first.
        """
        member = members.require(request)
        form = TokenInput(data=request.data)
        form.is_valid(raise_exception=True)
        said = form.validated_data
        now = timezone.now()
        if second_step.is_on(member.user):
            refused = second_step.refusal(user=member.user, code=said["code"], now=now)
            if refused == second_step.TOO_MANY:
                raise Throttled(WAIT_SECONDS, refused)
            if refused:
                raise InputRefused(refused, fields={"code": refused})
        days = said.get("days")
        lasts = timedelta(days=days) if days else timedelta(hours=api_tokens.SIGN_IN_HOURS)
        facts, token = api_tokens.make_token(
            member=member, name=said["name"], scope=said["scope"], now=now, lasts=lasts
        )
        shown = {"token": token, "expires_at": facts.token.expiry, "scope": facts.scope}
        return Response({**shown, "workshop": member.workshop.slug}, status=201)


class SignOut(APIView):
    authentication_classes = (ScopedToken,)
    permission_classes = (IsAuthenticated,)

    @extend_schema(request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        """End the token this request was made with."""
        request.auth.delete()
        return Response(status=204)


class Tokens(MemberView):
    @list_schema(TokenFacts, operation_id="list_tokens")
    def get(self, request: Request) -> Response:
        """List your tokens that have not ended; the owner sees everybody's. Never the secrets."""
        rows = api_tokens.tokens_shown_to(self.member, now=timezone.now())
        return self.pages(rows, TokenFacts)


class TokenDetail(MemberView):
    @extend_schema(operation_id="end_token", responses={204: None})
    def delete(self, request: Request, pk: int) -> Response:
        """End a token of yours; the owner ends anybody's."""
        api_tokens.end_token(member=self.member, token_id=pk, now=timezone.now())
        return Response(status=204)


class MemberOutput(serializers.ModelSerializer[Member]):
    name = serializers.CharField(source="__str__")
    username = serializers.CharField(source="user.username")

    class Meta:
        model = Member
        fields = ("id", "name", "username", "role", "active")


class MemberChange(serializers.Serializer[Any]):
    role = serializers.ChoiceField(Role.choices, required=False)
    active = serializers.BooleanField(required=False)


class People(MemberView):
    @list_schema(MemberOutput, operation_id="list_members")
    def get(self, request: Request) -> Response:
        """List the members of the workshop, those shut out too."""
        rows = Member.of(self.workshop).select_related("user").order_by("user__username", "id")
        return self.pages(rows, MemberOutput)


class PersonDetail(MemberView):
    role = Role.OWNER

    @extend_schema(operation_id="change_member", request=MemberChange, responses=MemberOutput)
    def patch(self, request: Request, pk: int) -> Response:
        """Set a member's role, shut them out or let them in again; the last owner stays (409).

        Nobody is made an owner here (403): that takes a password, on the page *People*.
        """
        said = self.valid(MemberChange)
        if people.makes_owner(workshop=self.workshop, member_id=pk, **said):
            raise NotAllowed(people.ON_THE_PAGE)
        row = people.change(workshop=self.workshop, member_id=pk, by=self.member, **said)
        return Response(MemberOutput(row).data)


class InvitationInput(serializers.Serializer[Any]):
    role = serializers.ChoiceField(Role.choices)
    note = serializers.CharField(max_length=60, default="", allow_blank=True, help_text="for whom")
    days = serializers.IntegerField(min_value=1, max_value=people.MOST_DAYS, default=7)


class InvitationOutput(serializers.ModelSerializer[Invitation]):
    made_by = serializers.CharField(source="made_by.__str__")

    class Meta:
        model = Invitation
        fields = ("id", "role", "note", "made_by", "made_at", "expires_at")


class InvitationMade(InvitationOutput):
    link = serializers.CharField(help_text="shown once; good for one person")

    class Meta(InvitationOutput.Meta):
        fields = (*InvitationOutput.Meta.fields, "link")  # type: ignore[assignment]


class Invitations(MemberView):
    role = read_role = Role.OWNER
    secret_reply = True

    @list_schema(InvitationOutput, operation_id="list_invitations")
    def get(self, request: Request) -> Response:
        """List the invitations that may still be used."""
        return self.pages(people.list_open(self.workshop, now=timezone.now()), InvitationOutput)

    @extend_schema(operation_id="invite", request=InvitationInput, responses={201: InvitationMade})
    def post(self, request: Request) -> Response:
        """Make a link by which one person joins. It is shown this once.

        An owner is not invited here (403): that takes a password, on the page *People*.
        """
        said = self.valid(InvitationInput)
        if said["role"] == Role.OWNER:
            raise NotAllowed(people.ON_THE_PAGE)
        row, token = people.invite(member=self.member, now=timezone.now(), **said)
        row.link = people.address_of(token, request)  # type: ignore[attr-defined]
        return Response(InvitationMade(row).data, status=201)


class InvitationDetail(MemberView):
    role = Role.OWNER

    @extend_schema(operation_id="withdraw_invitation", responses={204: None})
    def delete(self, request: Request, pk: int) -> Response:
        """Take an invitation back before it is used."""
        people.withdraw(workshop=self.workshop, invitation_id=pk)
        return Response(status=204)


urlpatterns = [
    path("token/", SignIn.as_view(), name="api-token"),
    path("token/end/", SignOut.as_view(), name="api-token-end"),
    path("tokens/", Tokens.as_view(), name="api-tokens"),
    path("tokens/<row:pk>/", TokenDetail.as_view(), name="api-token-facts"),
    path("members/", People.as_view(), name="api-members"),
    path("members/<row:pk>/", PersonDetail.as_view(), name="api-member"),
    path("invitations/", Invitations.as_view(), name="api-invitations"),
    path("invitations/<row:pk>/", InvitationDetail.as_view(), name="api-invitation"),
]
