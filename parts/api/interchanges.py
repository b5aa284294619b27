"""API of interchanges: which part number goes in for which."""

from typing import Any

import django_filters as filters
from django.db.models import Q, QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from donors.domain.model_numbers import canonical
from parts import numbers, selectors
from parts.models import Interchange
from workshop.api import MemberView, filtered, list_schema
from workshop.filters import YesNoFilter
from workshop.models import Role


class InterchangeFilter(filters.FilterSet):
    kind = filters.CharFilter(field_name="kind_id")
    number = filters.CharFilter(method="with_number")
    both_ways = YesNoFilter()

    def with_number(
        self, rows: "QuerySet[Interchange]", name: str, value: str
    ) -> "QuerySet[Interchange]":
        """Keep the relations one of whose ends is this number."""
        number = canonical(value)
        return rows.filter(Q(from_number__canonical=number) | Q(to_number__canonical=number))


class InterchangeInput(serializers.Serializer[Any]):
    """`to_number` goes in where `from_number` is asked for; the reverse only when both_ways."""

    kind = serializers.SlugField(max_length=40)
    from_number = serializers.CharField(max_length=80)
    to_number = serializers.CharField(max_length=80)
    both_ways = serializers.BooleanField(required=False, default=False)
    note = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)


class InterchangeOutput(serializers.ModelSerializer[Interchange]):
    kind = serializers.CharField(source="kind_id")
    from_number = serializers.CharField(source="from_number.number")
    to_number = serializers.CharField(source="to_number.number")

    class Meta:
        model = Interchange
        fields = ("id", "kind", "from_number", "to_number", "both_ways", "note")


class Interchanges(MemberView):
    role = Role.REVIEWER

    @list_schema(InterchangeOutput, InterchangeFilter)
    def get(self, request: Request) -> Response:
        """List the relations between part numbers, by kind and number."""
        rows = selectors.list_interchanges(self.workshop)
        return self.pages(filtered(InterchangeFilter, request, rows), InterchangeOutput)

    @extend_schema(request=InterchangeInput, responses={201: InterchangeOutput})
    def post(self, request: Request) -> Response:
        """Record that a number goes in for another. One that contradicts what is on record is
        refused with the path named."""
        row = numbers.add_interchange(workshop=self.workshop, **self.valid(InterchangeInput))
        found = selectors.get_interchange(self.workshop, row.pk)
        return Response(InterchangeOutput(found).data, status=201)


class InterchangeDetail(MemberView):
    role = Role.REVIEWER

    @extend_schema(responses=InterchangeOutput)
    def get(self, request: Request, pk: int) -> Response:
        """Return one relation."""
        return Response(InterchangeOutput(selectors.get_interchange(self.workshop, pk)).data)

    @extend_schema(responses={204: None})
    def delete(self, request: Request, pk: int) -> Response:
        """Take a relation off the record; needs of its kind are matched anew."""
        numbers.remove_interchange(workshop=self.workshop, interchange_id=pk)
        return Response(status=204)
