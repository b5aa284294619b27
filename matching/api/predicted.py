"""API of the prediction: which part number a machine likely carries."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import predicting
from workshop import days
from workshop.api import MemberView
from workshop.domain.intervals import from_ends
from workshop.errors import InputRefused


class PredictedInput(serializers.Serializer[Any]):
    """A machine and a kind of part. Build dates as an interval; left out means not known."""

    make = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    model_number = serializers.CharField(max_length=80)
    kind = serializers.SlugField(max_length=40)
    position = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    built_from = serializers.DateField(required=False, default=None, allow_null=True)
    built_to = serializers.DateField(required=False, default=None, allow_null=True)


class LikelyOutput(serializers.Serializer[Any]):
    number = serializers.CharField()
    chance = serializers.FloatField(help_text="0..1: how likely the machine carries it")
    seen = serializers.IntegerField(help_text="how often, among the machines it rests on")


class PredictedOutput(serializers.Serializer[Any]):
    """Numbers, likeliest first. `of` sightings in `such` machines are the nearest there are;
    `another` is the chance of a number never seen in the make's machines."""

    numbers = LikelyOutput(many=True)
    of = serializers.IntegerField()
    such = serializers.CharField(allow_blank=True)
    another = serializers.FloatField()
    sentence = serializers.CharField(allow_blank=True)


class PredictedNumbers(MemberView):
    @extend_schema(parameters=[PredictedInput], responses=PredictedOutput)
    def get(self, request: Request) -> Response:
        """Say which part number a machine likely carries, with its odds and what they rest on."""
        given = self.valid(PredictedInput, request.query_params)
        start, end = given.pop("built_from"), given.pop("built_to")
        days.refuse_implausible(built_from=start, built_to=end)
        if start and end and end < start:
            raise InputRefused(
                f"The build dates run backwards: {start} to {end}.",
                fields={"built_to": f"Lies before built_from ({start})."},
            )
        found = predicting.predict_for_plate(self.workshop, built=from_ends(start, end), **given)
        return Response(PredictedOutput(found).data)
