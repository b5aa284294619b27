"""Importing by a page: a check is the storing rolled back; all or nothing; undone for an hour."""

import io
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import Workbook
from rest_framework.test import APIClient

from donors.models import Donor, Make, ModelNumber
from matching import holds
from matching.models import Alert, Job, Need
from parts.models import Part, Sighting
from tests.factories import NOW, Bench
from tests.integration.web.conftest import sign_in
from tests.integration.web.reading import text_of
from workshop import dispatcher, imports, imports_api
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.exchange import tables
from workshop.models import FileImport, OutboxEvent

__all__ = ["sign_in"]
pytestmark = pytest.mark.django_db
State = FileImport.State
DONORS = (
    "ref,appliance,make,model_number,serial_number,built_from,built_to,received_on,cause,note\n"
    "D-901,washing-machine,Velthane,W7-60 R1 W,00123,2018-03-01,2018-03-31,2026-11-02,,loud\n"
    "D-902,washing-machine,,w7 60 r1 w,,,,2026-11-03,,\n"
)
JOBS = (
    "job_ref,appliance,make,model_number,serial_number,built_from,built_to,opened_on,wait_until,"
    "kind,position,part_number,attributes,max_price,symptom\n"
    "J-901,washing-machine,Velthane,W7-60 R1 S,,,,2026-11-10,2026-12-10,control-board,,BRD-1,,80,\n"
)


def uploaded(bench: Bench, text: str, kind: str = "", name: str = "a.csv") -> FileImport:
    raw = text if isinstance(text, bytes) else text.encode()
    return imports.upload(member=bench.members["reviewer"], raw=raw, name=name, kind=kind, now=NOW)


def drained(bench: Bench, found: FileImport) -> FileImport:
    bench.drain()
    return imports.get_import(bench.workshop, found.pk)


def stored(bench: Bench, text: str, kind: str = "") -> FileImport:
    found = drained(bench, uploaded(bench, text, kind))
    assert found.state == State.CHECKED, found.problems
    imports.store(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    return drained(bench, found)


def undone(bench: Bench, found: FileImport, at: Any = NOW) -> FileImport:
    imports.undo(member=bench.members["reviewer"], import_id=found.pk, now=at)
    return drained(bench, found)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (DONORS, "donors"),
        (JOBS, "jobs"),
        ("make,aliases,pattern\nKaspervik,Kasp,\nVelthane,VT,\n", "makes"),
        ("make,model_number,aliases,appliance,family\nVelthane,K9-60 R1 W,,,\n", "models"),
    ],
)
def test_a_check_stores_nothing_and_says_what_storing_then_does(
    bench: Bench, text: str, kind: str
) -> None:
    before = {model: model.of(bench.workshop).count() for model in (Donor, Job, Make, ModelNumber)}
    found = drained(bench, uploaded(bench, text))
    assert (found.kind, found.state) == (kind, State.CHECKED)
    for model, count in before.items():
        assert model.of(bench.workshop).count() == count
    said = dict(found.tally)
    assert said["added"] >= 1
    imports.store(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    found = drained(bench, found)
    assert (found.state, found.tally) == (State.STORED, said)
    again = drained(bench, uploaded(bench, text))
    assert (again.tally["added"], again.tally["changed"]) == (0, 0)


def test_every_bad_cell_is_named_and_nothing_is_stored(bench: Bench) -> None:
    text = (
        "ref;appliance;make;model_number;serial_number;built_from;built_to;received_on;cause;note\n"
        "D-1;washing-machine;Velthane;W7-60 R1 W;007;31.03.2018;;2026-11-02;;\n"
        "D-2;washing-machine;Velthane;W7-60 R1 W;;;;;;\n"
        "D-3;washing-machine;Velthane\n"
        "D-4;toaster;Velthane;W7-60 R1 W;;;;2026-11-02;;\n"
    )
    found = drained(bench, uploaded(bench, text))
    assert found.state == State.REFUSED
    named = {(row, column) for row, column, _, _ in found.problems}
    assert named == {(2, "built_from"), (3, "received_on"), (4, ""), (5, "appliance")}
    assert not Donor.of(bench.workshop).exists()
    with pytest.raises(Conflict):
        imports.store(member=bench.members["reviewer"], import_id=found.pk, now=NOW)


def test_what_only_the_database_knows_is_named_too(bench: Bench) -> None:
    text = "ref,donor_ref,kind,price,removed_on\nP-1,D-404,control-board,12.50,2026-11-03\n"
    found = uploaded(bench, text, "parts")
    assert found.state == State.OPEN
    imports.check(
        member=bench.members["reviewer"],
        import_id=found.pk,
        kind="parts",
        places=found.places,
        now=NOW,
    )
    found = drained(bench, found)
    assert [(row, column) for row, column, _, _ in found.problems] == [(2, "donor_ref")]


def test_columns_of_other_names_are_set_by_a_person(bench: Bench) -> None:
    found = uploaded(bench, "Number;Mine;Extra\nK9-60 R1 W;Velthane;x\n", "models")
    assert (found.state, found.places) == (State.OPEN, {})
    member = bench.members["reviewer"]
    with pytest.raises(InputRefused) as refused:
        imports.check(member=member, import_id=found.pk, kind="models", places={"make": 1}, now=NOW)
    assert "model_number" in refused.value.fields
    places = {"make": 1, "model_number": 0}
    imports.check(member=member, import_id=found.pk, kind="models", places=places, now=NOW)
    found = drained(bench, found)
    assert (found.state, found.tally["added"]) == (State.CHECKED, 1)


def test_a_workbook_is_stored_as_the_same_csv(bench: Bench) -> None:
    book = Workbook()
    for line in DONORS.splitlines():
        book.active.append(line.split(","))
    out = io.BytesIO()
    book.save(out)
    found = stored(bench, out.getvalue(), "donors")
    assert (found.state, found.tally["added"]) == (State.STORED, 2)
    assert Donor.of(bench.workshop).get(ref="D-901").serial_number == "00123"


def test_an_import_is_undone_with_all_that_came_with_it(bench: Bench) -> None:
    bench.job("W7-60 R1 W", technician=bench.technician)
    bench.drain()
    rows = {m: m.of(bench.workshop).count() for m in (Donor, Part, Job, Need, Alert, Sighting)}
    donors, jobs = stored(bench, DONORS), stored(bench, JOBS)
    assert Part.of(bench.workshop).filter(donor__ref="D-901").exists()
    assert Alert.of(bench.workshop).exists()
    assert undone(bench, jobs).state == State.UNDONE
    assert undone(bench, donors).state == State.UNDONE
    assert {model: model.of(bench.workshop).count() for model in rows} == rows
    assert not OutboxEvent.of(bench.workshop).filter(dead_at__isnull=False).exists()
    assert not OutboxEvent.of(bench.workshop).filter(done_at__isnull=True, attempts__gt=0).exists()


def test_makes_and_models_are_undone(bench: Bench) -> None:
    makes = stored(bench, "make,aliases,pattern\nKaspervik,Kasp,\n")
    head = "make,model_number,aliases,appliance,family\n"
    models = stored(bench, head + "Kaspervik,KV 100/1,Kv one,,\n")
    with pytest.raises(Conflict, match="rest"):
        undone(bench, makes)
    assert undone(bench, models).state == State.UNDONE
    assert undone(bench, makes).state == State.UNDONE
    assert not Make.of(bench.workshop).filter(name="Kaspervik").exists()


def test_what_rests_on_a_row_keeps_the_import_and_is_named(bench: Bench) -> None:
    need = bench.need("W7-60 R1 W")
    found = stored(bench, DONORS)
    part = Part.of(bench.workshop).get(donor__ref="D-901", kind="control-board")
    holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    with pytest.raises(Conflict, match="1 holds"):
        undone(bench, found)
    assert Donor.of(bench.workshop).filter(ref="D-901").exists()


def test_a_hold_that_comes_between_asking_and_undoing_keeps_it_too(bench: Bench) -> None:
    need, found = bench.need("W7-60 R1 W"), stored(bench, DONORS)
    imports.undo(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    part = Part.of(bench.workshop).get(donor__ref="D-901", kind="control-board")
    holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    found = drained(bench, found)
    assert (found.state, "1 holds" in found.problems[0][3]) == (State.STORED, True)


def test_after_an_hour_or_with_changed_rows_it_stays(bench: Bench) -> None:
    found = stored(bench, DONORS)
    with pytest.raises(Conflict, match="hour"):
        undone(bench, found, at=found.stored_at + imports.UNDO_FOR + timedelta(seconds=1))
    changed = stored(bench, DONORS.replace("loud", "quiet"))
    assert changed.tally["changed"] == 1
    with pytest.raises(Conflict, match="changed"):
        undone(bench, changed)


def test_files_of_another_workshop_are_not_found(bench: Bench, other_bench: Bench) -> None:
    found = uploaded(bench, DONORS)
    for act in (imports.store, imports.undo):
        with pytest.raises(NotFound):
            act(member=other_bench.members["reviewer"], import_id=found.pk, now=NOW)


def test_only_so_many_files_wait(bench: Bench) -> None:
    for _ in range(imports.MOST_UNDER_WAY):
        uploaded(bench, DONORS)
    with pytest.raises(Conflict):
        uploaded(bench, DONORS)


def test_an_event_told_twice_stores_once(bench: Bench) -> None:
    found = stored(bench, DONORS)
    event = OutboxEvent.of(bench.workshop).get(kind=imports.STORE)
    OutboxEvent.of(bench.workshop).filter(pk=event.pk).update(done_at=None)
    assert drained(bench, found).tally == found.tally
    assert Donor.of(bench.workshop).count() == 2


def test_a_crash_while_storing_leaves_nothing_and_the_next_try_stores_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = drained(bench, uploaded(bench, DONORS))
    imports.store(member=bench.members["reviewer"], import_id=found.pk, now=NOW)

    def fails(donors: Any) -> None:
        list(donors)
        raise RuntimeError("killed")

    with monkeypatch.context() as broken:
        broken.setattr("parts.services.lay_parts", fails)
        dispatcher.drain()
    assert imports.get_import(bench.workshop, found.pk).state == State.STORING
    assert not Donor.of(bench.workshop).exists()
    OutboxEvent.of(bench.workshop).filter(kind=imports.STORE).update(available_at=NOW)
    assert drained(bench, found).state == State.STORED
    assert Donor.of(bench.workshop).count() == 2


def test_old_imports_are_forgotten_and_their_rows_stay(bench: Bench) -> None:
    stored(bench, DONORS)
    assert imports.forget_old_imports(NOW + imports.KEPT_FOR) == 0
    assert imports.forget_old_imports(NOW + imports.KEPT_FOR + timedelta(days=400)) == 1
    assert Donor.of(bench.workshop).count() == 2


# Pages


def file(text: str) -> SimpleUploadedFile:
    return SimpleUploadedFile("donors.csv", text.encode(), content_type="text/csv")


def test_the_way_through_the_pages(bench: Bench, sign_in: Any) -> None:
    reviewer: Client = sign_in(bench, "reviewer")
    answer = reviewer.post(reverse("imports"), {"file": file(DONORS), "kind": ""}, follow=True)
    address = answer.redirect_chain[0][0]
    assert "is being checked" in text_of(answer)
    assert b'hx-trigger="every 1s"' in answer.content
    bench.drain()
    page = reviewer.get(address)
    assert "2 would be added, 0 changed, 0 stay as they are" in text_of(page)
    assert b"every 1s" not in page.content
    assert "00123" in text_of(page)
    reviewer.post(address + "store/")
    bench.drain()
    assert "2 added, 0 changed, 0 as before" in text_of(reviewer.get(address))
    assert "donors.csv" in text_of(reviewer.get(reverse("imports")))


def test_columns_by_hand_on_the_page(bench: Bench, sign_in: Any) -> None:
    reviewer: Client = sign_in(bench, "reviewer")
    sent = {"file": file("Who,What\nVelthane,K9-60 R1 W\n"), "kind": "models"}
    address = reviewer.post(reverse("imports"), sent).url
    wrong = reviewer.post(address, {"kind": "models", "column-make": "0"})
    assert (wrong.status_code, "must be matched" in text_of(wrong)) == (400, True)
    other = reviewer.post(address, {"kind": "makes"})
    assert (other.status_code, b"column-pattern" in other.content) == (200, True)
    right = {"kind": "models", "column-make": "0", "column-model_number": "1"}
    assert reviewer.post(address, right).status_code == 302
    bench.drain()
    assert "1 would be added" in text_of(reviewer.get(address))
    assert reviewer.post(address + "drop/").status_code == 302
    assert reviewer.get(address).status_code == 404


def test_a_file_that_is_none_is_said_on_the_page(bench: Bench, sign_in: Any) -> None:
    answer = sign_in(bench, "reviewer").post(reverse("imports"), {"file": file("\x00"), "kind": ""})
    assert (answer.status_code, "bytes no text has" in text_of(answer)) == (400, True)


# API


def test_the_same_over_the_api(bench: Bench) -> None:
    client = APIClient()
    client.force_login(bench.members["reviewer"].user)
    sent = {"file": file(DONORS), "kind": "donors"}
    answer = client.post("/api/v1/imports/", sent, format="multipart")
    assert (answer.status_code, answer.data["state"]) == (201, "checking")
    address = f"/api/v1/imports/{answer.data['id']}/"
    assert client.post(f"{address}store/").status_code == 409
    bench.drain()
    assert client.get(address).data["tally"]["added"] == 2
    places = {"ref": 0, "appliance": 1, "received_on": 7}
    body = {"kind": "donors", "places": places}
    assert client.put(address, body, format="json").data["places"] == places
    bench.drain()
    assert client.post(f"{address}store/").data["state"] == "storing"
    bench.drain()
    assert client.get(address).data["stays"] == ""
    assert client.post(f"{address}undo/").data["state"] == "undoing"
    bench.drain()
    assert client.get(address).data["state"] == "undone"
    assert client.delete(address).status_code == 409
    assert client.get("/api/v1/imports/").data["count"] == 1
    wrong = client.post("/api/v1/imports/", {**sent, "file": file("\x00")}, format="multipart")
    assert (wrong.status_code, wrong.json()["code"]) == (400, "file-refused")
    client.force_login(bench.technician.user)
    assert client.get(address).status_code == 403


def test_a_page_under_way_does_not_load_the_table_and_links_are_for_reviewers(
    bench: Bench, sign_in: Any
) -> None:
    found = uploaded(bench, DONORS)
    reviewer, address = sign_in(bench, "reviewer"), reverse("import", args=[found.pk])
    with CaptureQueriesContext(connection) as queries:
        assert reviewer.get(address).status_code == 200
    assert not [one for one in queries if '"workshop_fileimport"."table"' in one["sql"]]
    OutboxEvent.of(bench.workshop).filter(kind=imports.CHECK).update(dead_at=NOW)
    page = reviewer.get(address)
    assert "tried no more" in text_of(page)
    assert b"every 1s" not in page.content
    assert reviewer.post(address + "drop/").status_code == 302
    link = reverse("imports").encode()
    assert link in reviewer.get(reverse("models")).content
    assert link not in sign_in(bench, "technician").get(reverse("models")).content


def test_a_table_is_read_before_a_transaction_begins(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    client, inside = APIClient(), []
    client.force_login(bench.members["reviewer"].user)
    outside = len(connection.savepoint_ids)
    real = tables.read_table

    def reads(raw: bytes, *, name: str) -> Any:
        inside.append(len(connection.savepoint_ids) - outside)
        return real(raw, name=name)

    monkeypatch.setattr(imports, "read_table", reads)
    monkeypatch.setattr(imports_api, "read_table", reads)
    uploaded(bench, DONORS)
    key = {"HTTP_IDEMPOTENCY_KEY": '"once"'}
    for _ in range(2):
        sent = {"file": file(DONORS), "kind": "donors"}
        answer = client.post("/api/v1/imports/", sent, format="multipart", **key)
        assert answer.status_code == 201
    assert inside == [0, 0, 0]
    assert FileImport.of(bench.workshop).count() == 2
