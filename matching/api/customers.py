"""API of a job's customer. Replies hold personal data: none is kept for a repeat."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import customers
from matching.models import Customer
from workshop.api import MemberView
from workshop.models import Role


class CustomerInput(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=120, required=False, default="", allow_blank=True)
    reach = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True, help_text="how to reach them"
    )
    keep_until = serializers.DateField(
        required=False, default=None, allow_null=True, help_text="left out: a year from today"
    )


class CustomerOutput(serializers.ModelSerializer[Customer]):
    noted_by = serializers.CharField(source="noted_by.user.username")

    class Meta:
        model = Customer
        fields = ("name", "reach", "keep_until", "noted_by", "noted_at")


class JobCustomer(MemberView):
    role = read_role = Role.TECHNICIAN
    secret_reply = True

    @extend_schema(operation_id="get_customer", responses=CustomerOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Return who the customer of a job is; 404 when nothing is noted."""
        return Response(CustomerOutput(customers.get_customer(self.workshop, ref)).data)

    @extend_schema(operation_id="note_customer", request=CustomerInput, responses=CustomerOutput)
    def put(self, request: Request, ref: str) -> Response:
        """Note who the customer of a job is. It is erased after `keep_until`."""
        said = self.valid(CustomerInput)
        row = customers.note_customer(
            workshop=self.workshop, ref=ref, member=self.member, now=timezone.now(), **said
        )
        return Response(CustomerOutput(row).data)

    @extend_schema(operation_id="erase_customer", responses={204: None})
    def delete(self, request: Request, ref: str) -> Response:
        """Erase what is noted of the customer, such as when they ask for it."""
        customers.erase_customer(workshop=self.workshop, ref=ref)
        return Response(status=204)
