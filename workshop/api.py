"""What API views share: the member who asks, pages, and fields with the same meaning."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import (
    OpenApiExample,
    OpenApiParameter,
    extend_schema,
    extend_schema_field,
    inline_serializer,
)
from rest_framework import serializers
from rest_framework.permissions import SAFE_METHODS
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from workshop import idempotency
from workshop.exchange import cells
from workshop.members import require
from workshop.models import Member, Role, Workshop


class MemberView(APIView):
    """A view for members of a workshop. `role` is what its unsafe methods need.

    Every unsafe method takes an Idempotency-Key; `reads_only` says that none of them writes,
    `secret_reply` that a reply holds a secret, which must not be kept for a repeat.
    """

    role: Role = Role.CATALOGUER
    read_role: Role = Role.CATALOGUER
    reads_only = False
    secret_reply = False

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        safe = request.method in SAFE_METHODS
        self.member: Member = require(request, self.read_role if safe else self.role)
        self.workshop: Workshop = self.member.workshop
        name = (request.method or "").lower()
        if not safe and self.keeps_replies() and hasattr(self, name):
            # The handler is looked up on the view right after `initial`.
            setattr(self, name, idempotency.once(getattr(self, name), request, self.member))

    @classmethod
    def keeps_replies(cls) -> bool:
        return not (cls.reads_only or cls.secret_reply)

    def pages(self, rows: "QuerySet[Any]", output: type[serializers.Serializer[Any]]) -> Response:
        """Return one page of rows, written by `output`."""
        paginator = self.settings.DEFAULT_PAGINATION_CLASS()
        page = paginator.paginate_queryset(rows, self.request, view=self)
        found: Response = paginator.get_paginated_response(output(page, many=True).data)
        return found

    def valid(self, form: type[serializers.Serializer[Any]], data: Any = None) -> dict[str, Any]:
        """Return the validated input. Raises ValidationError, answered as 400 by field."""
        checked = form(data=self.request.data if data is None else data)
        checked.is_valid(raise_exception=True)
        found: dict[str, Any] = checked.validated_data
        return found


class FileRenderer(BaseRenderer):
    """Lets a client ask for a kind of file; refusals stay problem+json. Name a media_type."""

    def render(self, data: Any, *_: Any, **__: Any) -> bytes:
        return json.dumps(data).encode()


def filtered(filter_class: Any, request: Request, rows: "QuerySet[Any]") -> "QuerySet[Any]":
    """Return the rows a request asks for. Raises ValidationError for a bad value."""
    found = filter_class(request.query_params, queryset=rows, request=request)
    if not found.is_valid():
        raise serializers.ValidationError(found.errors)
    wanted: QuerySet[Any] = found.qs
    return wanted


def list_schema(
    output: type[serializers.Serializer[Any]],
    filter_class: Any = None,
    *,
    operation_id: str = "",
    also: Sequence[OpenApiParameter] = (),
    row: Mapping[str, Any] | None = None,
) -> Any:
    """Return the description of a paged list and its ?field=value filters. row: an example."""
    filters = filter_class.base_filters if filter_class else {}
    page = inline_serializer(
        f"Page{output.__name__}",
        {
            "count": serializers.IntegerField(),
            "next": serializers.URLField(allow_null=True),
            "previous": serializers.URLField(allow_null=True),
            "results": output(many=True),
        },
    )
    names = [*filters, "page", "page_size"]
    return extend_schema(
        operation_id=operation_id or f"list_{output.__name__.removesuffix('Output').lower()}s",
        parameters=[*also, *(OpenApiParameter(name, str) for name in names)],
        responses=page,
        examples=[] if row is None else [_page_of(row)],
    )


def _page_of(row: Mapping[str, Any]) -> OpenApiExample:
    value = {"count": 1, "next": None, "previous": None, "results": [row]}
    return OpenApiExample("A page of one", value=value, response_only=True, status_codes=["200"])


class CellField(serializers.Field[Any, Any, Any, Any]):
    """Text with the meaning of an exchange-file cell: the same parser, the same sentence."""

    def __init__(self, parse: cells.Parser, **options: Any) -> None:
        super().__init__(**options)
        self.parse = parse
        self.text = serializers.CharField(max_length=cells.LONGEST_CELL, allow_blank=True)

    def to_internal_value(self, data: Any) -> Any:
        text = self.text.run_validation(data)
        if not text:
            return None
        try:
            return self.parse(text)
        except ValueError as bad:
            raise serializers.ValidationError(f"{text!r} {bad}") from bad

    def to_representation(self, value: Any) -> str:
        return str(value)


@extend_schema_field(OpenApiTypes.STR)
class PriceField(CellField):
    """An amount of money as text: "12.50"."""

    def __init__(self, **options: Any) -> None:
        super().__init__(cells.cents, **options)


class PastDateField(serializers.DateField):
    """A day on which something has happened: today or before."""

    def to_internal_value(self, value: Any) -> Any:
        day = super().to_internal_value(value)
        if day > timezone.localdate():
            raise serializers.ValidationError(f"{day} lies ahead; say the day it happened.")
        return day


class AttributesField(serializers.DictField):
    """Attributes by name: {"voltage_v": "230", "mount": "3-lug"}."""

    child = serializers.CharField(max_length=200)

    def to_internal_value(self, data: Any) -> dict[str, str]:
        found = super().to_internal_value(data)
        text = ";".join(f"{name}={value}" for name, value in found.items())
        try:
            return cells.attributes(text) if text else {}
        except ValueError as bad:
            raise serializers.ValidationError(str(bad)) from bad
