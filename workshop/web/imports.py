"""Pages on importing files: upload, match columns, see what would be stored, store, undo."""

from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone

from workshop import imports
from workshop.errors import DomainError, InputRefused
from workshop.exchange import sheets
from workshop.exchange.tables import MOST_BYTES, MOST_ROWS, match_columns
from workshop.models import FileImport, Member, Role
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member
from workshop.web.pages import page_of

SHOWN = 10  # rows of the file on its page
COLUMN = "column-"  # before the name of a column, in the form


class UploadForm(PlainForm):
    file = forms.FileField(help_text="CSV or Excel (.xlsx), at most 20 MB.")
    kind = forms.ChoiceField(required=False, label="What it holds")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = [(kind, kind.replace("_", " ")) for kind in imports.importable_kinds()]
        self.fields["kind"].choices = [("", "by its columns"), *kinds]  # type: ignore[attr-defined]


class ColumnsForm(PlainForm):
    """Which column of the file holds which of the kind; blank: none does."""

    kind = forms.ChoiceField(label="What it holds")

    def __init__(self, data: Any, found: FileImport, kind: str, places: dict[str, int]) -> None:
        super().__init__(data, initial={"kind": kind})
        kinds = [(one, one.replace("_", " ")) for one in imports.importable_kinds()]
        self.fields["kind"].choices = kinds  # type: ignore[attr-defined]
        header = imports.header_of(found)
        there = [(str(place), name or f"column {place + 1}") for place, name in enumerate(header)]
        for column in sheets.get_sheet(kind).columns:
            self.fields[COLUMN + column.name] = forms.ChoiceField(
                required=False,
                label=column.name.replace("_", " "),
                choices=[("", "is not in the file"), *there],
                initial=str(places.get(column.name, "")),
                help_text="Must be filled in every row." if column.required else "",
            )

    def places(self) -> dict[str, int]:
        given = self.cleaned_data.items()
        return {n.removeprefix(COLUMN): int(v) for n, v in given if n.startswith(COLUMN) and v}

    def refuse(self, error: DomainError) -> None:
        super().refuse(error)
        for name, message in error.fields.items():
            if COLUMN + name in self.fields:
                self.add_error(COLUMN + name, message)


@for_member(Role.REVIEWER, methods=FORM)
def import_list(request: HttpRequest, member: Member) -> HttpResponse:
    form = UploadForm(posted(request), request.FILES if request.method == "POST" else None)
    if form.is_bound and form.accepts():
        file = form.cleaned_data["file"]
        try:
            found = imports.upload(
                member=member,
                raw=file.read(MOST_BYTES + 1),
                name=file.name or "",
                kind=form.cleaned_data["kind"],
                now=timezone.now(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            return redirect("import", found.pk)
    page = page_of(request, imports.list_imports(member.workshop))
    fewer = {
        kind.replace("_", " "): sheet.most_rows
        for kind in imports.importable_kinds()
        if (sheet := sheets.get_sheet(kind)).most_rows < MOST_ROWS
    }
    shown = {"form": form, "page": page, "most_rows": MOST_ROWS, "fewer": fewer}
    return render(request, "workshop/imports.html", shown, status=form.status)


@for_member(Role.REVIEWER, methods=FORM)
def import_page(request: HttpRequest, member: Member, import_id: UUID) -> HttpResponse:
    found = imports.get_import(member.workshop, import_id)
    kind = request.POST.get("kind") or found.kind
    if kind not in imports.importable_kinds():
        raise InputRefused("There is no such kind of file.")
    places = found.places
    if kind != found.kind:  # its columns are others: match them anew
        names = [column.name for column in sheets.get_sheet(kind).columns]
        places = match_columns(imports.header_of(found), names)
    data = posted(request) if kind == found.kind else None
    form = ColumnsForm(data, found, kind, places)
    if form.is_bound and form.accepts():
        try:
            imports.check(
                member=member,
                import_id=import_id,
                kind=kind,
                places=form.places(),
                now=timezone.now(),
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            return redirect("import", import_id)
    shown = {"found": found, "form": form, **_context(found, places)}
    return render(request, "workshop/import.html", shown, status=form.status)


def _context(found: FileImport, places: dict[str, int]) -> dict[str, Any]:
    """Return the rows of a file as they stand in it and as they are understood."""
    header = imports.header_of(found)
    table = found.table if header else {}
    used = set(places.values())
    now = timezone.now()
    stored = found.state == FileImport.State.STORED
    context: dict[str, Any] = {
        "header": header,
        "sample": table.get("rows", [])[:3],
        "notes": table.get("notes", []),
        "unused": [name or "(no name)" for at, name in enumerate(header) if at not in used],
        "may_be_undone_until": found.stored_at + imports.UNDO_FOR if found.stored_at else None,
        "given_up": imports.is_given_up(found),
        "stays": imports.why_stays(found, now=now) if stored else "",
    }
    if found.state == FileImport.State.CHECKED:
        names = list(found.places)
        rows = imports.parsed(found, SHOWN)
        context["columns"] = names
        context["preview"] = [(row.number, [row[name] for name in names]) for row in rows]
        context["more"] = found.row_count - len(rows)
    return context


@for_member(Role.REVIEWER, methods=ACTION)
def import_store(request: HttpRequest, member: Member, import_id: UUID) -> HttpResponse:
    imports.store(member=member, import_id=import_id, now=timezone.now())
    return redirect("import", import_id)


@for_member(Role.REVIEWER, methods=ACTION)
def import_undo(request: HttpRequest, member: Member, import_id: UUID) -> HttpResponse:
    imports.undo(member=member, import_id=import_id, now=timezone.now())
    return redirect("import", import_id)


@for_member(Role.REVIEWER, methods=ACTION)
def import_drop(request: HttpRequest, member: Member, import_id: UUID) -> HttpResponse:
    dropped = imports.drop(member=member, import_id=import_id)
    if not dropped:
        messages.success(request, "It is stored still; nothing of it was taken back.")
        return redirect("import", import_id)
    messages.success(request, "The file is dropped; nothing of it was stored.")
    return redirect("imports")


urlpatterns = [
    path("imports/", import_list, name="imports"),
    path("imports/<uuid:import_id>/", import_page, name="import"),
    path("imports/<uuid:import_id>/store/", import_store, name="import-store"),
    path("imports/<uuid:import_id>/undo/", import_undo, name="import-undo"),
    path("imports/<uuid:import_id>/drop/", import_drop, name="import-drop"),
]
