"""Importing a file by a page: uploaded, its columns matched, checked, stored, perhaps undone.

What takes long is done by the dispatcher; who uploaded it may leave the page and come back.
Checking is storing, rolled back (exchange/sheets.py).
"""

import hashlib
import uuid
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from workshop import outbox
from workshop.dispatcher import handles, sweeps
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.exchange import sheets, undoing
from workshop.exchange.reading import FileRefused, Problem, Row, rows_of
from workshop.exchange.sheets import Imported, Sheet
from workshop.exchange.tables import Table, match_columns, read_table
from workshop.models import FileImport, Member, OutboxEvent, Workshop

State = FileImport.State
CHECK, STORE, UNDO = "workshop.check-file", "workshop.store-file", "workshop.undo-file"
UNDO_FOR = timedelta(hours=1)
KEPT_FOR = timedelta(days=30)
MOST_UNDER_WAY = 5  # uploads of one workshop not stored yet, within a day
MOST_PROBLEMS = 200  # kept; the rest is counted
LONGEST_NAME = 200
LARGE = ("table", "added_ids", "digests")  # not loaded while somebody looks how it goes


def importable_kinds() -> list[str]:
    return [kind for kind in sheets.kinds() if sheets.get_sheet(kind).importable]


def upload(*, member: Member, raw: bytes, name: str, kind: str, now: datetime) -> FileImport:
    """Keep an uploaded table; when every column is matched by its name, its check begins.

    kind: blank, the one whose columns it has. Raises FileRefused, InputRefused, Conflict.
    """
    table = read_table(raw, name=name_of(name))
    return keep(member=member, table=table, name=name, kind=kind, now=now)


def name_of(name: str) -> str:
    return name.strip()[:LONGEST_NAME] or "the file"


@transaction.atomic
def keep(*, member: Member, table: Table, name: str, kind: str, now: datetime) -> FileImport:
    """Keep a table that was read: reading takes seconds, and is done before, holding nothing."""
    name = name_of(name)
    kind = kind or likeliest_kind(table.header)
    sheet = _sheet(kind)
    _check_size(sheet, len(table.rows), name)
    # Two uploads at once do not each take the last place. The workshop's own row is held by the
    # dispatcher for as long as it stores; nobody holds its first member.
    people = Member.of(member.workshop).select_for_update(no_key=True, of=("self",))
    people.order_by("pk").first()
    unfinished = FileImport.of(member.workshop).filter(
        stored_at__isnull=True, uploaded_at__gt=now - timedelta(days=1)
    )
    if unfinished.count() >= MOST_UNDER_WAY:
        raise Conflict(f"{MOST_UNDER_WAY} files wait to be stored already. Drop one of them first.")
    found: FileImport = FileImport.objects.create(
        workshop=member.workshop,
        kind=kind,
        name=name,
        by=member,
        uploaded_at=now,
        since=now,
        table=table.to_json(),
        row_count=len(table.rows),
        places=match_columns(table.header, [column.name for column in sheet.columns]),
    )
    if len(found.places) == len(sheet.columns) == len(table.header):
        _begin(found, State.CHECKING, CHECK, now)
    return found


def likeliest_kind(header: list[str]) -> str:
    """Return the kind most of whose columns the header has. Raises InputRefused for none."""
    scores = {
        kind: len(match_columns(header, names)) / len(names)
        for kind in importable_kinds()
        if (names := [column.name for column in sheets.get_sheet(kind).columns])
    }
    best = max(scores, key=lambda kind: scores[kind])
    if not scores[best]:
        raise InputRefused(
            "No column of the file is known. Say which kind of file it is.",
            fields={"kind": "Choose one."},
        )
    return best


@transaction.atomic
def check(
    *, member: Member, import_id: uuid.UUID, kind: str, places: Mapping[str, int], now: datetime
) -> FileImport:
    """Set what the file is and which of its columns holds what; the check begins.

    places: column of the kind: column of the file, from 0. Raises InputRefused by column.
    """
    found = _locked(member.workshop, import_id, State.OPEN, State.CHECKED, State.REFUSED)
    sheet = _sheet(kind)
    wide = len(found.table["header"])
    wrong = {}
    for column in sheet.columns:
        place = places.get(column.name)
        if place is None and column.required:
            wrong[column.name] = "Must be filled: say which column holds it."
        elif place is not None and not 0 <= place < wide:
            wrong[column.name] = "The file has no such column."
    if wrong:
        raise InputRefused(f"Not checked: {', '.join(wrong)} must be matched.", fields=wrong)
    _check_size(sheet, found.row_count, found.name)
    names = {column.name for column in sheet.columns}
    found.kind = kind
    found.places = {name: place for name, place in places.items() if name in names}
    return _begin(found, State.CHECKING, CHECK, now)


@transaction.atomic
def store(*, member: Member, import_id: uuid.UUID, now: datetime) -> FileImport:
    """Have a checked file stored. Raises NotFound, Conflict."""
    found = _locked(member.workshop, import_id, State.CHECKED)
    return _begin(found, State.STORING, STORE, now)


@transaction.atomic
def undo(*, member: Member, import_id: uuid.UUID, now: datetime) -> FileImport:
    """Have a stored file undone. Raises NotFound, Conflict with the reason why not."""
    found = _locked(member.workshop, import_id, State.STORED)
    why = why_stays(found, now=now) or _why_not_now(found)
    if why:
        raise Conflict(f"Not undone: {why}.")
    return _begin(found, State.UNDOING, UNDO, now)


@transaction.atomic
def drop(*, member: Member, import_id: uuid.UUID) -> bool:
    """Forget a file that was not stored, or whose check or storing was given up.

    One whose undoing was given up is stored still: False. Raises NotFound, Conflict.
    """
    found = _locked(member.workshop, import_id, *State.values)
    if found.state == State.UNDOING and is_given_up(found):
        found.state = State.STORED
        found.save(update_fields=["state"])
        return False
    idle = found.state in {State.OPEN, State.CHECKED, State.REFUSED}
    if not idle and not (found.stored_at is None and is_given_up(found)):
        raise Conflict(f"{found.name} {found.get_state_display()}; look at its page again.")
    found.delete()
    return True


def header_of(found: FileImport) -> list[str]:
    """Return the names of a file's columns while they may be matched, else none."""
    if found.state in {State.OPEN, State.CHECKED, State.REFUSED}:
        return list(found.table["header"])
    return []


def is_given_up(found: FileImport) -> bool:
    """Return True when what it waits for was tried too often and is tried no more."""
    if not found.is_under_way:
        return False
    kind = {State.CHECKING: CHECK, State.STORING: STORE, State.UNDOING: UNDO}[State(found.state)]
    events = OutboxEvent.of(found.workshop_id).filter(
        kind=kind, payload__import_id=str(found.pk), done_at__isnull=True
    )
    return bool(events.exists()) and not events.filter(dead_at__isnull=True).exists()


def get_import(workshop: Workshop, import_id: uuid.UUID) -> FileImport:
    found: FileImport | None = _imports(workshop).defer(*LARGE).filter(pk=import_id).first()
    if found is None:
        raise NotFound("There is no such import in this workshop.")
    return found


def list_imports(workshop: Workshop) -> "QuerySet[FileImport]":
    """Return the workshop's imports, the latest first, without their tables."""
    return _imports(workshop).defer(*LARGE, "problems")


def _imports(workshop: Workshop) -> "QuerySet[FileImport]":
    return FileImport.of(workshop).select_related("by__user")


def why_stays(found: FileImport, *, now: datetime) -> str:
    """Return why a stored file cannot be undone, as far as it is known without a search.

    What was done to its rows since is looked up when somebody wants it undone.
    """
    if found.stays or found.stored_at is None:
        return found.stays or "it is not stored"
    if now > found.stored_at + UNDO_FOR:
        return "more than an hour has passed"
    return ""


def _why_not_now(found: FileImport) -> str:
    """Return what was done to the rows since or rests on them, blank when nothing."""
    model = undoing.model_of(_sheet(found.kind).adds)
    if resting := undoing.resting_on(model, found.added_ids):
        return f"other things rest on its rows by now: {', '.join(resting)}"
    return _why_changed(found)


def _why_changed(found: FileImport) -> str:
    model = undoing.model_of(_sheet(found.kind).adds)
    changed = undoing.changed_since(model, found.added_ids, found.digests)
    return f"{', '.join(changed)}, or what came with it, was changed since" if changed else ""


def parsed(found: FileImport, most: int | None = None) -> list[Row]:
    """Return the rows of a file as they are understood, at most `most` of them."""
    table = Table.from_json(found.table)
    rows = table.rows[:most]
    made = rows_of(table.header, rows, _sheet(found.kind).columns, found.places)
    by_number = {row.number: row for row in made}
    used = set(found.places.values())
    for problem in table.problems:
        if problem.place is not None and problem.place not in used:
            continue  # of a column nobody matched
        if problem.row in by_number:
            by_number[problem.row].problems.append(problem)
        elif most is None:
            raise FileRefused(found.name, [problem])  # never passed over
    return made


def _check_size(sheet: Sheet, rows: int, name: str) -> None:
    if rows > sheet.most_rows:
        message = f"has {rows} rows; at most {sheet.most_rows} of {sheet.kind} are taken at once"
        raise FileRefused(name, [Problem(0, "", "", f"{message}, split it")])


def _sheet(kind: str) -> Sheet:
    if kind not in importable_kinds():
        raise InputRefused(
            f"There is no file kind {kind!r} to import.", fields={"kind": "Choose one of the list."}
        )
    return sheets.get_sheet(kind)


def _locked(workshop: Workshop, import_id: uuid.UUID, *states: str) -> FileImport:
    rows = FileImport.of(workshop).select_for_update().defer(*LARGE)
    found: FileImport | None = rows.filter(pk=import_id).first()
    if found is None:
        raise NotFound("There is no such import in this workshop.")
    if found.state not in states:
        raise Conflict(f"{found.name} {found.get_state_display()}; look at its page again.")
    return found


def _begin(found: FileImport, state: str, event: str, now: datetime) -> FileImport:
    found.state, found.since = state, now
    found.problems, found.problem_count = [], 0
    if state == State.CHECKING:
        found.tally = {}
    found.save(
        update_fields=["state", "since", "tally", "problems", "problem_count", "kind", "places"]
    )
    outbox.record(event, workshop_id=found.workshop_id, payload={"import_id": str(found.pk)})
    return found


def _at(event: OutboxEvent, state: str) -> FileImport | None:
    # The workshop is locked by the dispatcher already, and more weakly.
    rows = FileImport.of(event.workshop_id).select_for_update(of=("self",))
    rows = rows.select_related("workshop")
    found: FileImport | None = rows.filter(pk=event.payload["import_id"], state=state).first()
    return found


@handles(CHECK)
def check_now(event: OutboxEvent, now: datetime) -> None:
    found = _at(event, State.CHECKING)
    if found is not None:
        _check(found, now)


def _check(found: FileImport, now: datetime) -> None:
    found.digests = _on_record(found)
    _end(found, _load(found, now, dry_run=True), State.CHECKED, now)


class _OtherThanShown(Exception):
    """Leaves the storing of what would come to something else than what was shown."""


@handles(STORE)
def store_now(event: OutboxEvent, now: datetime) -> None:
    found = _at(event, State.STORING)
    if found is None:
        return
    shown, there = found.tally, _on_record(found)
    if there != found.digests:
        _show_again(found, _differing(found, there), now)
        return
    try:
        with transaction.atomic():
            _store(found, shown, now)
    except _OtherThanShown:
        _show_again(found, ["what it rests on"], now)


def _store(found: FileImport, shown: dict[str, Any], now: datetime) -> None:
    before = _named(found)
    done = _load(found, now, dry_run=False)
    if isinstance(done, Imported):
        if _tally(done) != shown:
            raise _OtherThanShown
        added = sorted(set(_named(found)) - set(before))
        stays = _why_not_undone(found, done, before, added)
        found.stored_at, found.added_ids, found.stays = now, added, stays
        model = _sheet(found.kind).adds
        found.digests = {} if stays else undoing.digests(undoing.model_of(model), added)
        found.table = {}
    _end(found, done, State.STORED, now)


def _show_again(found: FileImport, names: list[str], now: datetime) -> None:
    """Have a file checked once more: it would overwrite or leave what was not there when shown."""
    _check(found, now)
    if found.state == State.CHECKED:
        said = f"Not stored: {', '.join(names)} changed since the check. Look at the figures again."
        found.problems = [[0, "", "", said]]
        found.save(update_fields=["problems"])


@handles(UNDO)
def undo_now(event: OutboxEvent, now: datetime) -> None:
    found = _at(event, State.UNDOING)
    if found is None:
        return
    try:
        with transaction.atomic():
            _take_back(found)
        found.state = State.UNDONE
        found.problems = []
    except Conflict as kept:
        found.state = State.STORED
        found.problems = [[0, "", "", f"Not undone: {kept.message}."]]
    found.since = now
    found.save(update_fields=["state", "problems", "since"])


def _take_back(found: FileImport) -> None:
    sheet = _sheet(found.kind)
    model = undoing.model_of(sheet.adds)
    undoing.lock(model, found.added_ids)
    if why := _why_changed(found):
        raise Conflict(why)
    sheet.take_along(found.workshop, found.added_ids)
    undoing.take_back(model, found.added_ids, workshop_id=found.workshop_id)


def _load(found: FileImport, now: datetime, *, dry_run: bool) -> Imported | FileRefused:
    try:
        return sheets.load_rows(
            _sheet(found.kind),
            parsed(found),
            workshop=found.workshop,
            at=now,
            dry_run=dry_run,
            name=found.name,
        )
    except FileRefused as refused:
        return refused


def _end(found: FileImport, done: Imported | FileRefused, state: str, now: datetime) -> None:
    if isinstance(done, FileRefused):
        kept = done.problems[:MOST_PROBLEMS]
        found.state = State.REFUSED
        found.problems = [[one.row, one.column, one.found[:80], one.message] for one in kept]
        found.problem_count = len(done.problems)
    else:
        found.state = state
        found.tally = _tally(done)
    found.since = now
    figures = ["state", "since", "tally", "problems", "problem_count", "digests"]
    once = ["stored_at", "added_ids", "stays", "table"] if found.state == State.STORED else []
    found.save(update_fields=[*figures, *once])


def _tally(done: Imported) -> dict[str, Any]:
    counted = {name: getattr(done, name) for name in ("rows", "added", "changed", "same")}
    return {**counted, "unsure": list(done.unsure)}


Key = tuple[tuple[str, str], ...]


def _keys(found: FileImport) -> list[Key]:
    """Return what each row of the file is found by in the model it adds to."""
    keys = _sheet(found.kind).keys(found.workshop, parsed(found))
    return [tuple(sorted(key.items())) for key in keys]


def _named(found: FileImport) -> dict[Any, Key]:
    """Return the rows on record that the file names, by id."""
    sheet = _sheet(found.kind)
    wanted = set(_keys(found)) if sheet.adds else set()
    if not wanted:
        return {}
    rows: Any = undoing.model_of(sheet.adds)
    fields = sorted({name for key in wanted for name, _ in key})
    there = {
        pk: tuple(zip(fields, map(str, values), strict=True))
        for pk, *values in rows.of(found.workshop).values_list("pk", *fields)
    }
    return {pk: key for pk, key in there.items() if key in wanted}


def _on_record(found: FileImport) -> dict[str, str]:
    """Return digests of what is on record that storing the file may change, by id."""
    sheet = _sheet(found.kind)
    if sheet.adds:
        return undoing.digests(undoing.model_of(sheet.adds), sorted(_named(found)))
    told = hashlib.blake2b(digest_size=8)
    for values in sheet.dump(found.workshop):
        told.update(repr(sorted(values.items())).encode())
    return {"": told.hexdigest()}


def _differing(found: FileImport, there: dict[str, str]) -> list[str]:
    """Return names of what is on record otherwise than when the file was checked, some of them."""
    sheet = _sheet(found.kind)
    keys = {*there, *found.digests}
    wrong = sorted(key for key in keys if there.get(key) != found.digests.get(key))[:5]
    if not sheet.adds:
        return [f"{found.kind.replace('_', ' ')} on record"]
    rows: Any = undoing.model_of(sheet.adds)
    names = {str(row.pk): str(row) for row in rows.of(found.workshop).filter(pk__in=wrong)}
    return [names.get(key, "one that is gone") for key in wrong]


def _why_not_undone(
    found: FileImport, done: Imported, before: dict[Any, Key], added: list[Any]
) -> str:
    """Return why a file just stored cannot be undone: only what it added is taken back."""
    sheet = _sheet(found.kind)
    if not sheet.adds:
        return sheet.stays
    known = set(before.values())
    if done.changed or sum(key in known for key in _keys(found)) != done.same:
        return "it changed or added to what was on record before; put that right by hand"
    return "" if added else "it added nothing that was not on record"


@sweeps
def forget_old_imports(now: datetime) -> int:
    """Take away what is known of imports after KEPT_FOR; their rows stay."""
    rows = FileImport.objects.unscoped().filter(since__lt=now - KEPT_FOR)
    gone, _ = rows.delete()
    return gone
