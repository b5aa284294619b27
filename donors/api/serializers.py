"""Shapes of makes, model numbers and recognition in the API."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from drf_spectacular.utils import extend_schema_field, inline_serializer
from rest_framework import serializers

from donors import recognition, selectors
from donors.build_readings import SCHEMES, CodeAsked
from donors.domain.build_reading import Clues
from donors.machine_columns import BUILD_KNOWN
from donors.models import Make, ModelNumber
from workshop.errors import InputRefused

YEAR: dict[str, Any] = {"min_value": 0, "max_value": 9999}


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
        fields = (
            "id",
            "name",
            "aliases",
            "pattern",
            "guessed_pattern",
            "date_code",
            "date_code_start",
        )


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


class BuildCodeInput(serializers.Serializer[Any]):
    """A build-date code and what else is known of when the machine was built.

    `scheme` says how the code is written; left out, as its make writes it. `in_serial`: take the
    code from the serial number. `eras`: slugs of what is seen on it (energy label, refrigerant).
    """

    code = serializers.CharField(max_length=20, required=False, default="", allow_blank=True)
    scheme = serializers.ChoiceField(SCHEMES, required=False, default="", allow_blank=True)
    in_serial = serializers.BooleanField(required=False, default=False)
    receipt_on = serializers.DateField(required=False, default=None, allow_null=True)
    part_made_on = serializers.DateField(required=False, default=None, allow_null=True)
    sold_from = serializers.IntegerField(required=False, default=None, allow_null=True, **YEAR)
    sold_to = serializers.IntegerField(required=False, default=None, allow_null=True, **YEAR)
    eras = serializers.ListField(
        child=serializers.SlugField(max_length=40), required=False, default=list, max_length=20
    )


CLUES = ("receipt_on", "part_made_on", "sold_from", "sold_to")


def code_from(given: dict[str, Any]) -> CodeAsked:
    """Return the code of validated input."""
    clues = Clues(eras=tuple(given["eras"]), **{name: given[name] for name in CLUES})
    return CodeAsked(given["code"], given["scheme"], given["in_serial"], clues)


@contextmanager
def names_of_code() -> Iterator[None]:
    """Name what is refused as BuildCodeInput has it; forms and intake have longer names."""
    try:
        yield
    except InputRefused as refused:
        fields = {name.removeprefix("build_"): why for name, why in refused.fields.items()}
        raise InputRefused(refused.message, fields=fields) from refused


class BuildDateInput(BuildCodeInput):
    """A machine's code. `replace`: a date on record that is not from a code gives way."""

    replace = serializers.BooleanField(required=False, default=False)


class DecodeInput(BuildCodeInput):
    """A code of any machine; nothing is stored."""

    make = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    serial_number = serializers.CharField(
        max_length=60, required=False, default="", allow_blank=True
    )
    appliance = serializers.SlugField(max_length=40, required=False, default="", allow_blank=True)
    received_on = serializers.DateField(required=False, default=None, allow_null=True)


class ChosenInput(serializers.Serializer[Any]):
    """The first day of the candidate a person chose."""

    built_from = serializers.DateField()


ENDS: dict[str, Any] = {"from": serializers.DateField(), "to": serializers.DateField()}
ReadingOutput = inline_serializer(
    "BuildReading",
    {
        "code": serializers.CharField(),
        "scheme": serializers.ChoiceField(SCHEMES),
        "known": serializers.ChoiceField(BUILD_KNOWN),
        "clues": inline_serializer(
            "BuildClues",
            {
                "receipt_on": serializers.DateField(allow_null=True),
                "part_made_on": serializers.DateField(allow_null=True),
                "sold_from": serializers.IntegerField(allow_null=True),
                "sold_to": serializers.IntegerField(allow_null=True),
                "eras": serializers.ListField(child=serializers.CharField()),
            },
        ),
        "kept": inline_serializer("BuildCandidate", ENDS, many=True),
        "dropped": inline_serializer(
            "DroppedBuildCandidate", {**ENDS, "why": serializers.CharField()}, many=True
        ),
        "chosen": inline_serializer("ChosenBuildDate", ENDS, allow_null=True),
    },
)


class DateCodeInput(serializers.Serializer[Any]):
    """How a make writes build dates; `date_code_start`: where its serial numbers hold one."""

    date_code = serializers.ChoiceField(SCHEMES, allow_blank=True)
    date_code_start = serializers.IntegerField(
        min_value=1, max_value=60, required=False, default=None, allow_null=True
    )


class PlateInput(serializers.Serializer[Any]):
    """A rating plate as read; blank or left out means not known.

    `build_known` says how the build date is known; `build_code` is a code that stands for it.
    `model_id` is the known model a person said it is, of the candidates for the text.
    """

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
    build_known = serializers.ChoiceField(BUILD_KNOWN, required=False, default="", allow_blank=True)
    build_code = BuildCodeInput(required=False, default=None, allow_null=True)
    model_id = serializers.IntegerField(
        required=False, default=None, allow_null=True, min_value=1, max_value=2**63 - 1
    )


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
    build_known = serializers.CharField()
    build_reading = serializers.SerializerMethodField()

    @extend_schema_field(type(ReadingOutput)(allow_null=True))
    def get_build_reading(self, machine: Any) -> dict[str, Any] | None:
        return machine.build_reading or None
