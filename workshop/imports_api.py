"""API of imports: upload a table, match its columns, see what would be stored, store, undo."""

from typing import Any
from uuid import UUID

from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.parsers import JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from workshop import imports
from workshop.api import MemberView, list_schema
from workshop.exchange.tables import MOST_BYTES, MOST_COLUMNS, read_table
from workshop.models import FileImport, Role


class ImportFileInput(serializers.Serializer[Any]):
    """A table: CSV or XLSX, at most 20 MB and 5,000 rows (2,000 donors). `kind` may be blank."""

    file = serializers.FileField()
    kind = serializers.CharField(max_length=20, required=False, default="", allow_blank=True)


class ColumnsInput(serializers.Serializer[Any]):
    """What the file holds, and which of its columns (from 0) holds which column of the kind."""

    kind = serializers.CharField(max_length=20)
    places = serializers.DictField(
        child=serializers.IntegerField(min_value=0, max_value=MOST_COLUMNS)
    )


class ImportLineOutput(serializers.ModelSerializer[FileImport]):
    """An import, told in short."""

    by = serializers.CharField()

    class Meta:
        model = FileImport
        fields: tuple[str, ...] = (
            "id",
            "kind",
            "name",
            "by",
            "uploaded_at",
            "state",
            "since",
            "row_count",
            "tally",
            "stored_at",
        )


class ImportOutput(ImportLineOutput):
    """An import. `tally` says what was stored, or would be; `stays` why it cannot be undone.

    Whether people worked on its rows since is looked up when it is to be undone.

    `problems` are [row, column, what stands there, what is wrong], at most 200 of
    `problem_count`.
    """

    header = serializers.SerializerMethodField()
    stays = serializers.SerializerMethodField()

    class Meta(ImportLineOutput.Meta):
        fields = (
            *ImportLineOutput.Meta.fields,
            "header",
            "places",
            "problems",
            "problem_count",
            "stays",
        )

    def get_header(self, found: FileImport) -> list[str]:
        return imports.header_of(found)

    def get_stays(self, found: FileImport) -> str:
        stored = found.state == FileImport.State.STORED
        return imports.why_stays(found, now=timezone.now()) if stored else ""


class _Imports(MemberView):
    role = read_role = Role.REVIEWER


class Imports(_Imports):
    parser_classes = (MultiPartParser,)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Read the table before the transaction of an Idempotency-Key begins: it takes seconds."""
        super().initial(request, *args, **kwargs)
        if request.method == "POST":
            given = self.valid(ImportFileInput)
            self.name = imports.name_of(given["file"].name or "")
            self.table = read_table(given["file"].read(MOST_BYTES + 1), name=self.name)
            given["file"].seek(0)

    @list_schema(ImportLineOutput, operation_id="list_imports")
    def get(self, request: Request) -> Response:
        """List the imports, the latest first."""
        return self.pages(imports.list_imports(self.workshop), ImportLineOutput)

    @extend_schema(
        operation_id="upload_import",
        request={"multipart/form-data": ImportFileInput},
        responses={201: ImportOutput},
    )
    def post(self, request: Request) -> Response:
        """Upload a table. Nothing of it is stored yet.

        When all its columns are those of its kind the check begins by itself (`checking`);
        otherwise (`open`) set the columns with PUT.
        """
        given = self.valid(ImportFileInput)
        found = imports.keep(
            member=self.member,
            table=self.table,
            name=self.name,
            kind=given["kind"],
            now=timezone.now(),
        )
        return Response(ImportOutput(found).data, status=201)


class ImportDetail(_Imports):
    parser_classes = (JSONParser,)

    @extend_schema(operation_id="get_import", responses=ImportOutput)
    def get(self, request: Request, pk: UUID) -> Response:
        """Show an import: whether it is under way, what it came to, its problems."""
        return Response(ImportOutput(imports.get_import(self.workshop, pk)).data)

    @extend_schema(
        operation_id="check_import",
        request=ColumnsInput,
        responses=ImportOutput,
        examples=[
            OpenApiExample(
                "Two columns",
                {"kind": "models", "places": {"make": 1, "model_number": 0}},
                request_only=True,
            )
        ],
    )
    def put(self, request: Request, pk: UUID) -> Response:
        """Say which column holds what; the check begins. It is the storing, rolled back."""
        given = self.valid(ColumnsInput)
        found = imports.check(member=self.member, import_id=pk, now=timezone.now(), **given)
        return Response(ImportOutput(found).data)

    @extend_schema(operation_id="drop_import", responses={204: None})
    def delete(self, request: Request, pk: UUID) -> Response:
        """Forget a file that was not stored, or whose check or storing was given up."""
        imports.drop(member=self.member, import_id=pk)
        return Response(status=204)


class StoreImport(_Imports):
    @extend_schema(operation_id="store_import", request=None, responses=ImportOutput)
    def post(self, request: Request, pk: UUID) -> Response:
        """Store a checked file: all of it or nothing. Ask for it again to see what it came to."""
        found = imports.store(member=self.member, import_id=pk, now=timezone.now())
        return Response(ImportOutput(found).data)


class UndoImport(_Imports):
    @extend_schema(operation_id="undo_import", request=None, responses=ImportOutput)
    def post(self, request: Request, pk: UUID) -> Response:
        """Take back what an import added, within an hour, while nothing else rests on it."""
        found = imports.undo(member=self.member, import_id=pk, now=timezone.now())
        return Response(ImportOutput(found).data)


urlpatterns = [
    path("imports/", Imports.as_view(), name="api-imports"),
    path("imports/<uuid:pk>/", ImportDetail.as_view(), name="api-import"),
    path("imports/<uuid:pk>/store/", StoreImport.as_view(), name="api-import-store"),
    path("imports/<uuid:pk>/undo/", UndoImport.as_view(), name="api-import-undo"),
]
