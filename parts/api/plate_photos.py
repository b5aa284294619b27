"""API of photos of rating plates: what is read on one, and which models it may be."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from donors import recognition
from donors.api.serializers import CandidateOutput, ReadingOutput
from donors.catalogue import Catalogue
from donors.domain.build_reading import to_json
from donors.plate_candidates import PlateSeen, seen_on
from parts import plate_photos
from parts.pictures import MOST_BYTES
from workshop.api import MemberView

READ = {
    "lines": ["VELTHANE", "Mod. Y7L 60-801 W/R2J", "S/N 2318004711", "Built 2018-W23"],
    "make": "Velthane",
    "model_number": "Y7L 60-801 W/R2J",
    "serial_number": "2318004711",
    "build_code": "2018-W23",
    "build_scheme": "ISO_WEEK",
    "built": None,
    "candidates": [
        {
            "model_id": 17,
            "make": "Velthane",
            "model_number": "Y7L 60-801 W/R2J",
            "appliance": "washing-machine",
            "family": "Y7L",
            "how": "exact",
            "why": "the same number",
            "probability": 1.0,
            "differs_only_in": [],
        }
    ],
}


class PlatePhotoInput(serializers.Serializer[Any]):
    """A photo: JPEG, PNG or WebP, at most 20 MiB and 50 million points (WebP 20 million)."""

    photo = serializers.FileField()


class PlateSeenOutput(serializers.Serializer[Any]):
    """What was read, from the top, and what of it stands behind labels; blank: not found.

    `candidates` are known models, best first; name one as `model_id` when the machine is taken
    in, once somebody compared it with the plate. `built` is what the build code may mean.
    """

    lines = serializers.ListField(child=serializers.CharField())
    make = serializers.CharField(allow_blank=True)
    model_number = serializers.CharField(allow_blank=True)
    serial_number = serializers.CharField(allow_blank=True)
    build_code = serializers.CharField(allow_blank=True)
    build_scheme = serializers.CharField(allow_blank=True)
    built = serializers.SerializerMethodField()
    candidates = serializers.SerializerMethodField()

    @extend_schema_field(type(ReadingOutput)(allow_null=True))
    def get_built(self, seen: PlateSeen) -> dict[str, Any] | None:
        return to_json(seen.built) if seen.built else None

    @extend_schema_field(CandidateOutput(many=True))
    def get_candidates(self, seen: PlateSeen) -> list[dict[str, object]]:
        return recognition.describe(seen.candidates)


class ReadPlate(MemberView):
    reads_only = True
    parser_classes = (MultiPartParser,)

    @extend_schema(
        operation_id="read_plate_photo",
        request={"multipart/form-data": PlatePhotoInput},
        responses={200: PlateSeenOutput},
        examples=[OpenApiExample("A plate", READ, response_only=True, status_codes=["200"])],
    )
    def post(self, request: Request) -> Response:
        """Read the photo of a rating plate. Nothing is stored, the photo neither.

        Takes some seconds. Where the server has not the extra that reads photos, it answers 409
        with the code `plate-reader-missing`.
        """
        file = self.valid(PlatePhotoInput)["photo"]
        lines = plate_photos.read_lines(file.read(MOST_BYTES + 1))
        seen = seen_on(Catalogue.load(self.workshop), lines, today=timezone.localdate())
        return Response(PlateSeenOutput(seen).data)
