"""What people did since an import keeps its rows; what came in since a check is not overwritten."""

import io
import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from openpyxl import Workbook

from donors import services as donor_services
from donors.models import Donor, Make, ModelNumber
from matching import events, holds
from matching import services as job_services
from matching.models import Job, Need
from parts import services as part_services
from parts.models import Part
from tests.factories import NOW, TODAY, Bench, make_bench
from tests.integration.workshop.test_imports import (
    DONORS,
    JOBS,
    State,
    drained,
    stored,
    undone,
    uploaded,
)
from workshop import imports
from workshop.errors import Conflict
from workshop.exchange import undoing
from workshop.exchange.reading import FileRefused
from workshop.exchange.sheets import get_sheet
from workshop.models import FileImport, OutboxEvent

pytestmark = pytest.mark.django_db
PARTS = (
    "ref,donor_ref,kind,position,part_number,grade,bin,price,removed_on,attributes,note\n"
    "P-1,,control-board,,BRD-1,,A1,12.50,2026-11-03,,\n"
)
MAKES = "make,aliases,pattern\nKaspervik,Kasp,\n"
MODELS = "make,model_number,aliases,appliance,family\nVelthane,K9-60 R1 W,,,\n"


def sells(bench: Bench) -> None:
    sale = part_services.Sale(4500, TODAY, "sold to a neighbour")
    part_services.sell_part(workshop=bench.workshop, ref="P-1", sale=sale)


def describes(bench: Bench) -> None:
    facts = part_services.PartFacts(price_cents=9900, note="measured by hand")
    part_services.describe_part(workshop=bench.workshop, ref="P-1", facts=facts)


def confirms(bench: Bench) -> None:
    model = ModelNumber.of(bench.workshop).get(number="W7-60 R1 S")
    part_services.confirm_donor_model(workshop=bench.workshop, ref="D-901", model_id=model.pk)


def describes_what_was_laid(bench: Bench) -> None:
    part = Part.of(bench.workshop).get(donor__ref="D-901", kind="control-board")
    Part.of(bench.workshop).filter(pk=part.pk).update(attributes={"connector": "8-pin"})


def gives_a_pattern(bench: Bench) -> None:
    make = Make.of(bench.workshop).get(name="Kaspervik")
    pattern = r"^(?P<family>[A-Z]+)\d+$"
    donor_services.set_pattern(workshop=bench.workshop, make_id=make.pk, pattern=pattern)


def closes(bench: Bench) -> None:
    Job.of(bench.workshop).filter(ref="J-901").update(state=Job.State.REFUSED)


def adds_a_need(bench: Bench) -> None:
    job = Job.of(bench.workshop).get(ref="J-901")
    job_services.add_needs(job, [job_services.NeedFacts(kind="drain-pump")])


def sells_last(bench: Bench) -> None:
    model = ModelNumber.of(bench.workshop).get(number="K9-60 R1 W")
    ModelNumber.of(bench.workshop).filter(pk=model.pk).update(
        last_sold_from=TODAY, last_sold_to=TODAY
    )


def imports_again(bench: Bench) -> None:
    stored(bench, DONORS.replace("loud", "motor burnt"))


DONE_SINCE: list[tuple[str, Callable[[Bench], None], str]] = [
    (PARTS, sells, "P-1"),
    (PARTS, describes, "P-1"),
    (DONORS, confirms, "D-901"),
    (DONORS, describes_what_was_laid, "D-901"),
    (DONORS, imports_again, "D-901"),
    (MAKES, gives_a_pattern, "Kaspervik"),
    (MODELS, sells_last, "K9-60 R1 W"),
    (JOBS, closes, "J-901"),
    (JOBS, adds_a_need, "J-901"),
]
BY_WHOM = [act.__name__ for _, act, _ in DONE_SINCE]


def rows_of(bench: Bench) -> list[int]:
    models = (Donor, Part, Job, Need, Make, ModelNumber)
    return [model.of(bench.workshop).count() for model in models]


@pytest.mark.parametrize(("text", "act", "name"), DONE_SINCE, ids=BY_WHOM)
def test_what_somebody_did_since_keeps_the_import_and_is_named(
    bench: Bench, text: str, act: Callable[[Bench], None], name: str
) -> None:
    found = stored(bench, text)
    act(bench)
    bench.drain()
    rows = rows_of(bench)
    with pytest.raises(Conflict, match=f"{name}.* changed since"):
        undone(bench, found)
    assert rows_of(bench) == rows


@pytest.mark.parametrize(("text", "act", "name"), DONE_SINCE[:4], ids=BY_WHOM[:4])
def test_what_is_done_after_the_button_keeps_it_too(
    bench: Bench, text: str, act: Callable[[Bench], None], name: str
) -> None:
    found = stored(bench, text)
    imports.undo(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    act(bench)
    found = drained(bench, found)
    assert found.state == State.STORED
    assert f"{name}, or what came with it, was changed since" in found.problems[0][3]


def test_what_programs_work_out_by_themselves_is_nobodys_work(bench: Bench) -> None:
    """A model that becomes known recognises the donors anew; that keeps nothing in place."""
    found = stored(bench, DONORS.replace("W7-60 R1 W", "QX-88 Z"))
    head = "make,model_number,aliases,appliance,family\n"
    stored(bench, head + "Velthane,QX-88 Z,,washing-machine,QX\n")
    Donor.of(bench.workshop).update(recognised=None, family="QX")
    assert undone(bench, found).state == State.UNDONE


def test_storing_does_not_overwrite_what_came_in_after_the_check(bench: Bench) -> None:
    found = drained(bench, uploaded(bench, DONORS))
    bench.donor("W7-60 R1 W", ref="D-901", note="cracked drum", serial_number="999")
    imports.store(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    found = drained(bench, found)
    donor = Donor.of(bench.workshop).get(ref="D-901")
    assert (donor.note, donor.serial_number) == ("cracked drum", "999")
    assert (found.state, found.tally["added"], found.tally["changed"]) == (State.CHECKED, 1, 1)
    assert "D-901 changed since the check" in found.problems[0][3]
    imports.store(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    found = drained(bench, found)
    assert (found.state, found.tally["changed"]) == (State.STORED, 1)
    assert Donor.of(bench.workshop).get(ref="D-901").note == "loud"


def test_a_row_changed_after_the_check_with_the_same_figures_is_shown_anew(bench: Bench) -> None:
    bench.donor("W7-60 R1 W", ref="D-901", note="quiet")
    found = drained(bench, uploaded(bench, DONORS))
    Donor.of(bench.workshop).filter(ref="D-901").update(note="cracked drum")
    imports.store(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    assert drained(bench, found).state == State.CHECKED
    assert Donor.of(bench.workshop).get(ref="D-901").note == "cracked drum"


def test_after_an_undo_who_gets_what_is_worked_out_anew(bench: Bench) -> None:
    bench.need("W7-60 R1 W")
    found = stored(bench, DONORS)
    asked = OutboxEvent.of(bench.workshop).filter(kind=events.SHARES_TOUCHED)
    before = asked.count()
    undone(bench, found)
    assert asked.count() > before


def a_workbook(*rows: list[Any]) -> Any:
    book = Workbook()
    for row in rows:
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_a_row_of_nothing_but_bad_cells_is_named(bench: Bench) -> None:
    head = ["make", "aliases", "pattern"]
    raw = a_workbook(head, ["Aaa", "", ""], ["=Sheet2!A1", "", ""], ["Bbb", "", ""])
    found = drained(bench, uploaded(bench, raw, "makes"))
    assert found.state == State.REFUSED
    assert [3, "make", "=Sheet2!A1", "is a formula; paste its value instead"] in found.problems


def test_a_formula_in_a_column_nobody_matched_does_not_matter(bench: Bench) -> None:
    head = ["make", "aliases", "pattern", "margin"]
    found = uploaded(bench, a_workbook(head, ["Aaa", "", "", "=1+1"]), "makes")
    member = bench.members["reviewer"]
    imports.check(member=member, import_id=found.pk, kind="makes", places=found.places, now=NOW)
    assert drained(bench, found).state == State.CHECKED
    places = {"make": 0, "aliases": 3}
    imports.check(member=member, import_id=found.pk, kind="makes", places=places, now=NOW)
    assert drained(bench, found).state == State.REFUSED


def test_a_file_whose_check_was_given_up_can_be_dropped(bench: Bench) -> None:
    found = uploaded(bench, DONORS)
    with pytest.raises(Conflict):
        imports.drop(member=bench.members["reviewer"], import_id=found.pk)
    OutboxEvent.of(bench.workshop).filter(kind=imports.CHECK).update(dead_at=NOW)
    imports.drop(member=bench.members["reviewer"], import_id=found.pk)
    assert not FileImport.of(bench.workshop).exists()


def test_an_import_whose_undoing_was_given_up_is_stored_still(bench: Bench) -> None:
    found = stored(bench, DONORS)
    imports.undo(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    OutboxEvent.of(bench.workshop).filter(kind=imports.UNDO).update(dead_at=NOW)
    imports.drop(member=bench.members["reviewer"], import_id=found.pk)
    assert imports.get_import(bench.workshop, found.pk).state == State.STORED


def test_more_rows_than_are_stored_in_time_are_refused(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(type(get_sheet("donors")), "most_rows", 1)
    with pytest.raises(FileRefused, match="at most 1 of donors"):
        uploaded(bench, DONORS)


def test_a_page_looked_at_asks_as_much_for_many_rows(bench: Bench) -> None:
    head, line, _ = DONORS.splitlines()
    few = stored(bench, DONORS)
    many = stored(
        bench, "\n".join([head, *(line.replace("D-901", f"D-{n}") for n in range(1000, 1040))])
    )
    asked = []
    for found in (few, many):
        with CaptureQueriesContext(connection) as queries:
            assert imports.why_stays(found, now=NOW) == ""
        asked.append(len(queries))
    assert asked == [0, 0]


def test_a_number_on_record_of_another_make_is_another_number(bench: Bench) -> None:
    head = "make,model_number,aliases,appliance,family\n"
    first = stored(bench, head + "Velthane,K9-60 R1 W,,,\n")
    second = stored(bench, head + "Borsund,K9-60 R1 W,,,\n")
    assert (second.tally["added"], second.stays) == (1, "")
    assert undone(bench, second).state == State.UNDONE
    left = ModelNumber.of(bench.workshop).filter(number="K9-60 R1 W").get()
    assert left.pk == first.added_ids[0]


# Undoing against somebody who works on a row at the same moment: PostgreSQL.


@pytest.fixture
def races(transactional_db: None) -> None:
    if connection.vendor == "sqlite":
        pytest.skip("SQLite lets one writer in at a time")


def undo_while_noted(monkeypatch: pytest.MonkeyPatch, *, wait_s: float) -> tuple[bool, bool]:
    """Undo an import; after it looked, somebody notes something on a part of it.

    Returns whether the note was written before the part went, and whether the part is there.
    """
    bench = make_bench("racer")
    found = stored(bench, DONORS)
    imports.undo(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    ref = Part.of(bench.workshop).get(donor__ref="D-901", kind="control-board").ref
    real, written = undoing.take_back, threading.Event()

    def notes() -> None:
        try:
            rows = Part.of(bench.workshop).filter(ref=ref)
            if rows.update(note="burnt at pin 3"):
                written.set()
        finally:
            connection.close()

    somebody = threading.Thread(target=notes)

    def later(*args: Any, **named: Any) -> None:
        somebody.start()
        somebody.join(wait_s)  # where a lock stands it waits on, and all of this is in vain
        early.append(written.is_set())
        real(*args, **named)

    early: list[bool] = []
    monkeypatch.setattr(undoing, "take_back", later)
    drained(bench, found)
    somebody.join(20)
    return early[0], Part.of(bench.workshop).filter(ref=ref).exists()


@pytest.mark.django_db(transaction=True)
@pytest.mark.usefixtures("races")
def test_nobody_writes_in_a_row_between_the_look_and_the_undo(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert undo_while_noted(monkeypatch, wait_s=1) == (False, False)


@pytest.mark.django_db(transaction=True)
@pytest.mark.usefixtures("races")
def test_control_without_the_locks_a_note_gets_in_between(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(undoing, "lock", lambda model, ids: None)
    early, _there = undo_while_noted(monkeypatch, wait_s=20)
    assert early


def test_a_hold_after_the_look_raises_and_deletes_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    need, found = bench.need("W7-60 R1 W"), stored(bench, DONORS)
    part = Part.of(bench.workshop).get(donor__ref="D-901", kind="control-board")
    monkeypatch.setattr(imports, "_why_not_now", lambda found: "")
    imports.undo(member=bench.members["reviewer"], import_id=found.pk, now=NOW)
    holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW + timedelta(seconds=1),
    )
    found = drained(bench, found)
    assert (found.state, "1 holds" in found.problems[0][3]) == (State.STORED, True)
    assert Donor.of(bench.workshop).filter(ref="D-901").exists()
