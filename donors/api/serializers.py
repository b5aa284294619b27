"""Shapes of makes, model numbers and recognition in the API."""

from typing import Any

from rest_framework import serializers

from donors import recognition, selectors
from donors.models import Make, ModelNumber


class MakeInput(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80)
    aliases = serializers.ListField(
        child=serializers.CharField(max_length=80), required=False, default=list, max_length=50
    )
    pattern = serializers.CharField(max_length=400, required=False, default="", allow_blank=True)


class PatternInput(serializers.Serializer[Any]):
    pattern = serializers.CharField(max_length=400, allow_blank=True)


class MakeOutput(serializers.ModelSerializer[Make]):
    class Meta:
        model = Make
        fields = ("id", "name", "aliases", "pattern", "guessed_pattern")


class ModelNumberInput(serializers.Serializer[Any]):
    make = serializers.CharField(max_length=80)
    model_number = serializers.CharField(max_length=80)
    aliases = serializers.ListField(
        child=serializers.CharField(max_length=80), required=False, default=list, max_length=50
    )
    appliance = serializers.SlugField(max_length=40, required=False, default="", allow_blank=True)
    family = serializers.CharField(max_length=60, required=False, default="", allow_blank=True)


class ModelNumberOutput(serializers.ModelSerializer[ModelNumber]):
    make = serializers.CharField(source="make.name")
    model_number = serializers.CharField(source="number")
    appliance = serializers.CharField(source="appliance_id", allow_null=True)
    aliases: Any = serializers.SlugRelatedField("alias", many=True, read_only=True)

    class Meta:
        model = ModelNumber
        fields = (
            "id",
            "make",
            "model_number",
            "aliases",
            "appliance",
            "family",
            "last_sold_from",
            "last_sold_to",
        )


class PlateInput(serializers.Serializer[Any]):
    """A rating plate as read; blank or left out means not known."""

    appliance = serializers.SlugField(max_length=40, required=False, default="", allow_blank=True)
    make = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    model_number = serializers.CharField(
        max_length=80, required=False, default="", allow_blank=True
    )
    serial_number = serializers.CharField(
        max_length=60, required=False, default="", allow_blank=True
    )
    built_from = serializers.DateField(required=False, default=None, allow_null=True)
    built_to = serializers.DateField(required=False, default=None, allow_null=True)


PLATE_FIELDS = tuple(PlateInput().fields)


class RecogniseInput(serializers.Serializer[Any]):
    text = serializers.CharField(max_length=400)
    make = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)


class CandidateOutput(serializers.Serializer[Any]):
    model_id = serializers.IntegerField()
    make = serializers.CharField()
    model_number = serializers.CharField()
    appliance = serializers.CharField(allow_blank=True)
    family = serializers.CharField(allow_blank=True)
    how = serializers.CharField()
    why = serializers.CharField()
    probability = serializers.FloatField(
        help_text="0..1, calibrated for the first candidate; shared out among the others"
    )
    differs_only_in = serializers.ListField(
        child=serializers.CharField(),
        help_text="colour or market, when nothing else tells it from the first candidate",
    )


class RecognitionOutput(serializers.Serializer[Any]):
    """What a text was taken for. Candidates are shown, the text is never altered."""

    read_as = serializers.CharField(allow_blank=True)
    make = serializers.CharField(allow_blank=True)
    make_is_guess = serializers.BooleanField()
    settled = serializers.CharField(allow_blank=True)
    likely = serializers.CharField(allow_blank=True)
    family = serializers.CharField(allow_blank=True)
    how = serializers.CharField()
    probability = serializers.FloatField()
    candidates = CandidateOutput(many=True)


def candidates_of(machine: Any) -> list[dict[str, object]]:
    """Return what a stored machine may be, [] when it is recognised or confirmed."""
    if machine.recognised_id is not None:
        return []
    return recognition.describe(selectors.candidates_for(machine).candidates)


class TextInput(serializers.Serializer[Any]):
    text = serializers.CharField(max_length=20_000)
    make = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)


class MentionOutput(RecognitionOutput):
    """A model number in a text: text[start:end] is where it stands."""

    start = serializers.IntegerField()
    end = serializers.IntegerField()


class PositionOutput(serializers.Serializer[Any]):
    kind = serializers.CharField()
    least = serializers.IntegerField()
    most = serializers.IntegerField()
    values = serializers.IntegerField()
    examples = serializers.ListField(child=serializers.CharField())
    field = serializers.CharField(allow_blank=True)


class ProposalOutput(serializers.Serializer[Any]):
    """A pattern for a reviewer to accept or alter; nothing is stored by asking for it."""

    pattern = serializers.CharField(allow_blank=True)
    positions = PositionOutput(many=True)
    explained = serializers.IntegerField()
    numbers = serializers.IntegerField()
    unexplained = serializers.ListField(child=serializers.CharField())
    because = serializers.CharField()


class MachineOutput(serializers.Serializer[Any]):
    """The machine columns of a donor or job: as read, and what it was taken for beside it."""

    appliance = serializers.CharField(source="appliance_id")
    make = serializers.CharField(source="make.name", default="")
    make_as_read = serializers.CharField()
    make_is_guess = serializers.BooleanField()
    model_number = serializers.CharField()
    recognised = serializers.CharField(source="recognised.number", default="")
    recognised_how = serializers.CharField()
    confirmed = serializers.BooleanField()
    family = serializers.CharField()
    serial_number = serializers.CharField()
    built_from = serializers.DateField(allow_null=True)
    built_to = serializers.DateField(allow_null=True)
