"""API of the duty of makers to supply spare parts."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from donors import selectors, services
from donors.api.serializers import ModelNumberOutput
from parts.duties import Sold, duties
from workshop import days
from workshop.api import MemberView
from workshop.models import Role

HOLDS = ("yes", "no duty", "expired", "unknown")


class DutyInput(serializers.Serializer[Any]):
    """last_sold: when the model's last unit was placed on the market, 2022 or 2022-06-30."""

    appliance = serializers.SlugField(max_length=40)
    kind = serializers.SlugField(max_length=40, required=False, default="")
    last_sold = serializers.CharField(max_length=10, required=False, default="")
    built = serializers.DateField(required=False, default=None)
    on = serializers.DateField(required=False, default=None)


class DutyOutput(serializers.Serializer[Any]):
    part_class = serializers.CharField()
    name = serializers.CharField()
    kinds = serializers.ListField(child=serializers.CharField())
    holds = serializers.ChoiceField(HOLDS)
    to_whom = serializers.CharField()
    until_from = serializers.DateField(allow_null=True)
    until_to = serializers.DateField(allow_null=True)
    delivery_working_days = serializers.IntegerField()
    sentence = serializers.CharField()
    source: Any = serializers.CharField()
    caution = serializers.CharField()


class LastSoldInput(serializers.Serializer[Any]):
    last_sold = serializers.CharField(max_length=10, allow_blank=True)


class SparePartDuties(MemberView):
    @extend_schema(parameters=[DutyInput], responses=DutyOutput(many=True))
    def get(self, request: Request) -> Response:
        """Say which parts a maker must still supply, to whom and how fast. Not legal advice."""
        given = self.valid(DutyInput, request.query_params)
        last = days.read_span(given["last_sold"], field="last_sold")
        sold = Sold(given["appliance"], last, given["built"])
        rows = _rows(sold, given["on"])
        if given["kind"]:
            rows = [row for row in rows if given["kind"] in row["kinds"]]
        return Response(rows)


class ModelDuties(MemberView):
    @extend_schema(responses=DutyOutput(many=True))
    def get(self, request: Request, pk: int) -> Response:
        """Say which parts the maker of a known model must still supply."""
        model = selectors.get_model_number(self.workshop, pk)
        return Response(_rows(Sold.of(model.appliance_id or "", model), None))


class LastSold(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(request=LastSoldInput, responses=ModelNumberOutput)
    def put(self, request: Request, pk: int) -> Response:
        """Note when a model was last placed on the market; blank takes it away."""
        text = self.valid(LastSoldInput)["last_sold"]
        services.set_last_sold(workshop=self.workshop, model_id=pk, text=text)
        return Response(ModelNumberOutput(selectors.get_model_number(self.workshop, pk)).data)


def _rows(sold: Sold, on: Any) -> list[dict[str, Any]]:
    return [
        {
            "part_class": rule.part_class,
            "name": rule.name,
            "kinds": list(rule.kinds),
            "holds": duty.holds.value,
            "to_whom": rule.to_whom,
            "until_from": duty.until.start if duty.until else None,
            "until_to": duty.until.end if duty.until else None,
            "delivery_working_days": rule.delivery_working_days,
            "sentence": duty.sentence,
            "source": rule.source,
            "caution": duty.caution,
        }
        for rule, duty in duties(sold, on=on or timezone.localdate(timezone.now()))
    ]
