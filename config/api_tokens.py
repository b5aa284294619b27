"""API tokens: given for a name and password, stored hashed, gone after ten hours."""

from typing import Any

from drf_spectacular.utils import extend_schema
from knox.auth import TokenAuthentication
from knox.models import get_token_model
from rest_framework import serializers
from rest_framework.authentication import BasicAuthentication
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView


class TokenOutput(serializers.Serializer[Any]):
    token = serializers.CharField()
    expires_at = serializers.DateTimeField()


class SignIn(APIView):
    authentication_classes = (BasicAuthentication,)
    permission_classes = (IsAuthenticated,)

    @extend_schema(request=None, responses={201: TokenOutput})
    def post(self, request: Request) -> Response:
        """Give a token; sign in with HTTP Basic. Send it as `Authorization: Token ...`."""
        row, token = get_token_model().objects.create(user=request.user)
        return Response({"token": token, "expires_at": row.expiry}, status=201)


class SignOut(APIView):
    authentication_classes = (TokenAuthentication,)
    permission_classes = (IsAuthenticated,)

    @extend_schema(request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        """End the token this request was made with."""
        request.auth.delete()
        return Response(status=204)
