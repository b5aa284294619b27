"""API of parts that leave the stock by hand."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import parting
from parts.api.serializers import PartOutput
from parts.services import Sale
from workshop.api import MemberView, PastDateField, PriceField
from workshop.models import Role


class SaleInput(serializers.Serializer[Any]):
    price = PriceField()
    sold_on = PastDateField()
    note = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)


class ScrapInput(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=200)
    was_bad = serializers.BooleanField(default=False, help_text="it did not work")
    scrapped_on = PastDateField()


class SellPart(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(request=SaleInput, responses=PartOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Sell a part nobody is promised. Kinds reused with caution need their test first."""
        given = self.valid(SaleInput)
        sale = Sale(given["price"], given["sold_on"], given["note"])
        part = parting.sell_part(workshop=self.workshop, ref=ref, sale=sale, now=timezone.now())
        return Response(PartOutput(part).data)


class ScrapPart(MemberView):
    @extend_schema(request=ScrapInput, responses=PartOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Scrap a part. Whoever was told of it or holds it is told."""
        given = self.valid(ScrapInput)
        part = parting.scrap_part(
            workshop=self.workshop,
            ref=ref,
            why=given["why"],
            on=given["scrapped_on"],
            was_bad=given["was_bad"],
        )
        return Response(PartOutput(part).data)
