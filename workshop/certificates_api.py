"""API of certificates."""

from typing import Any

from django.urls import path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from workshop import certificates
from workshop.api import MemberView, list_schema
from workshop.models import LICENCES, Certificate, Role


class CertificateInput(serializers.Serializer[Any]):
    member_id = serializers.IntegerField(min_value=1, max_value=2**62)
    kind = serializers.ChoiceField(LICENCES)
    number = serializers.CharField(max_length=60)
    valid_until = serializers.DateField()


class CertificateOutput(serializers.ModelSerializer[Certificate]):
    member = serializers.CharField(source="member.__str__")

    class Meta:
        model = Certificate
        fields = ("id", "member_id", "member", "kind", "number", "valid_until")


class Certificates(MemberView):
    role = Role.OWNER

    @list_schema(CertificateOutput)
    def get(self, request: Request) -> Response:
        """List the certificates of members, the expired ones too."""
        return self.pages(certificates.list_certificates(self.workshop), CertificateOutput)

    @extend_schema(request=CertificateInput, responses={201: CertificateOutput})
    def post(self, request: Request) -> Response:
        """Put a member's certificate on record."""
        row = certificates.add_certificate(workshop=self.workshop, **self.valid(CertificateInput))
        return Response(CertificateOutput(row).data, status=201)


class CertificateDetail(MemberView):
    role = Role.OWNER

    @extend_schema(responses={204: None})
    def delete(self, request: Request, pk: int) -> Response:
        """Take a certificate off the record; one that work rests on stays (409)."""
        certificates.remove_certificate(workshop=self.workshop, certificate_id=pk)
        return Response(status=204)


urlpatterns = [
    path("certificates/", Certificates.as_view(), name="api-certificates"),
    path("certificates/<row:pk>/", CertificateDetail.as_view(), name="api-certificate"),
]
