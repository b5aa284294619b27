"""API of photos: listed and kept by part or donor (and strip step), fetched, deleted."""

from typing import Any
from uuid import UUID

from django.http import HttpResponseBase
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import (
    OpenApiParameter,
    OpenApiResponse,
    extend_schema,
    inline_serializer,
)
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.reverse import reverse

from donors.selectors import get_donor
from parts import photo_files, photos
from parts.models import Photo
from parts.photos import Subject
from parts.pictures import MOST_BYTES
from parts.selectors import get_part
from parts.web.photos import picture_answer
from workshop.api import FileRenderer, MemberView


class PhotoInput(serializers.Serializer[Any]):
    """A picture: JPEG, PNG or WebP, at most 20 MiB and 50 million points (WebP 20 million)."""

    photo = serializers.FileField()
    caption = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)


class StepPhotoInput(PhotoInput):
    """A picture of a donor; `step` is the slug of the strip step it belongs to."""

    step = serializers.SlugField(max_length=80, required=False, default="", allow_blank=True)


class PhotoOutput(serializers.ModelSerializer[Photo]):
    """A photo. `there` is false when its file is missing; the addresses give JPEG."""

    donor_ref = serializers.CharField(source="donor.ref", default="")
    part_ref = serializers.CharField(source="part.ref", default="")
    taken_by = serializers.SerializerMethodField()
    there = serializers.SerializerMethodField()
    picture = serializers.SerializerMethodField()
    small_picture = serializers.SerializerMethodField()

    class Meta:
        model = Photo
        fields = (
            "id",
            "donor_ref",
            "step",
            "part_ref",
            "caption",
            "taken_by",
            "kept_at",
            "width",
            "height",
            "size_bytes",
            "there",
            "picture",
            "small_picture",
        )

    def get_taken_by(self, photo: Photo) -> str:
        return str(photo.taken_by or "")

    def get_there(self, photo: Photo) -> bool:
        return photo_files.are_there(photo.pk)

    def get_picture(self, photo: Photo) -> str:
        return reverse("api-photo-picture", args=[photo.pk])

    def get_small_picture(self, photo: Photo) -> str:
        return reverse("api-photo-picture", args=[photo.pk]) + "?size=small"


def _page_of(output: str) -> Any:
    return inline_serializer(
        output,
        {
            "count": serializers.IntegerField(),
            "next": serializers.URLField(allow_null=True),
            "previous": serializers.URLField(allow_null=True),
            "results": PhotoOutput(many=True),
        },
    )


PAGES = [OpenApiParameter(name, str) for name in ("page", "page_size")]


class _Photos(MemberView):
    parser_classes = (MultiPartParser,)

    def _list(self, subject: Subject) -> Response:
        rows = photos.list_photos(self.workshop, subject).select_related("donor", "part")
        return self.pages(rows, PhotoOutput)

    def _add(self, subject: Subject, given: dict[str, Any]) -> Response:
        photo = photos.add_photo(
            member=self.member,
            subject=subject,
            data=given["photo"].read(MOST_BYTES + 1),
            caption=given["caption"],
            now=timezone.now(),
        )
        return Response(PhotoOutput(photo).data, status=201)


class DonorPhotos(_Photos):
    @extend_schema(
        operation_id="list_donor_photos",
        parameters=[*PAGES, OpenApiParameter("step", str)],
        responses=_page_of("PageDonorPhoto"),
    )
    def get(self, request: Request, ref: str) -> Response:
        """List the photos of a donor, the oldest first; `?step=` leaves those of a strip step."""
        step = request.query_params.get("step", "")
        return self._list(Subject(donor=get_donor(self.workshop, ref), step=step))

    @extend_schema(request={"multipart/form-data": StepPhotoInput}, responses={201: PhotoOutput})
    def post(self, request: Request, ref: str) -> Response:
        """Keep a photo of a donor, perhaps of a strip step. Only its pixels are kept."""
        donor = get_donor(self.workshop, ref)
        given = self.valid(StepPhotoInput)
        return self._add(Subject(donor=donor, step=given["step"]), given)


class PartPhotos(_Photos):
    @extend_schema(
        operation_id="list_part_photos", parameters=PAGES, responses=_page_of("PagePartPhoto")
    )
    def get(self, request: Request, ref: str) -> Response:
        """List the photos of a part, the oldest first."""
        return self._list(Subject(part=get_part(self.workshop, ref)))

    @extend_schema(request={"multipart/form-data": PhotoInput}, responses={201: PhotoOutput})
    def post(self, request: Request, ref: str) -> Response:
        """Keep a photo of a part. Only its pixels are kept."""
        part = get_part(self.workshop, ref)
        return self._add(Subject(part=part), self.valid(PhotoInput))


class PhotoDetail(MemberView):
    @extend_schema(responses=PhotoOutput)
    def get(self, request: Request, pk: UUID) -> Response:
        """Return what is known of a photo."""
        return Response(PhotoOutput(photos.get_photo(self.workshop, pk)).data)

    @extend_schema(responses={204: None})
    def delete(self, request: Request, pk: UUID) -> Response:
        """Delete a photo: who took it may, and technicians."""
        photos.delete_photo(member=self.member, photo_id=pk)
        return Response(status=204)


class JpegRenderer(FileRenderer):
    media_type = "image/jpeg"
    format = "jpeg"


class PhotoPicture(MemberView):
    renderer_classes = (JpegRenderer, JSONRenderer)

    @extend_schema(
        parameters=[OpenApiParameter("size", str, enum=["small"], description="the small copy")],
        responses={
            (200, "image/jpeg"): OpenApiResponse(OpenApiTypes.BINARY, "The picture."),
            304: OpenApiResponse(description="The copy with this ETag may be shown."),
        },
    )
    def get(self, request: Request, pk: UUID) -> HttpResponseBase:
        """Return the picture itself, as JPEG."""
        small = request.query_params.get("size") == "small"
        return picture_answer(request, photos.get_photo(self.workshop, pk), small=small)
