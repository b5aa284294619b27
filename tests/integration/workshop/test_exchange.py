"""Exchange files: round trip of every kind, all or nothing, the same file twice adds nothing."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from donors.models import Donor
from matching.models import Job, Need, Outcome
from parts.models import BenchTest, Part
from tests.factories import NOW, Bench, make_bench
from workshop.errors import InputRefused
from workshop.exchange import sheets
from workshop.exchange.reading import FileRefused
from workshop.models import OutboxEvent, Workshop

pytestmark = pytest.mark.django_db

KINDS = ("makes", "models", "interchange", "donors", "parts", "outcomes", "jobs")
ROWS = {
    "makes": [
        "make,aliases,pattern",
        r"Velthane,Velt Werke,"
        r"^(?P<family>[A-Z]\d)(?P<size>\d{2})R(?P<revision>\d)(?P<colour>[A-Z])$",
        "Kaspervik,,",
    ],
    "models": [
        "make,model_number,aliases,appliance,family",
        "Velthane,W7-60 R1 W,Aster 60|Aster,washing-machine,W7",
        "Velthane,W7-8* R1 W,,washing-machine,W7",
        "Kaspervik,KV 100/1,,,",
    ],
    "interchange": [
        "kind,from_number,to_number,both_ways,note",
        "control-board,BRD-100-01,BRD-100-02,0,newer index",
        "drain-pump,PMP-7,KP 33,1,same mount",
    ],
    "donors": [
        "ref,appliance,make,model_number,serial_number,built_from,built_to,received_on,cause,note",
        "D-1,washing-machine,Velthane,W7-60 R1 W,00123,2018-03-01,2018-03-31,2026-11-02,"
        'bearing-drum,"loud, on spin"',
        "D-2,washing-machine,,w7 60 r1 w,,,,2026-11-03,,=2+2",
    ],
    "parts": [
        "ref,donor_ref,kind,position,part_number,grade,bin,price,removed_on,attributes,note",
        "P-1,D-1,control-board,,BRD-100-01,tested-good,A-1,45.50,2026-11-05,voltage_v=230,",
        "P-2,D-1,drain-pump,,PMP-7,,,,,mount=3-lug;power_w=30,seen through the cover",
        "P-3,,drain-pump,,KP 33,untested,B-2,9.00,2026-11-05,,bought",
    ],
    "outcomes": [
        "kind,part_number,donor_make,donor_model_number,donor_built_from,donor_built_to,job_make,"
        "job_model_number,job_built_from,job_built_to,job_part_number,part_attributes,"
        "job_attributes,fitted_on,result,days_to_failure",
        "control-board,BRD-100-01,Velthane,W7-60 R1 W,,,Velthane,W7-60 R1 S,,,BRD-100-01,,,"
        "2026-05-02,worked,",
        "control-board,BRD-100-01,Velthane,W7-60 R1 W,,,Velthane,W7-60 R1 S,,,BRD-100-01,,,"
        "2026-05-02,worked,",
        "drain-pump,,Kaspervik,KV 100/1,2019-01-01,2019-12-31,Velthane,W7-60 R1 W,,,,"
        "mount=3-lug,,2026-06-01,failed,40",
    ],
    "jobs": [
        "job_ref,appliance,make,model_number,serial_number,built_from,built_to,opened_on,"
        "wait_until,kind,position,part_number,attributes,max_price,symptom",
        "J-1,washing-machine,Velthane,W7-60 R1 S,,,,2026-11-10,2026-12-10,control-board,,"
        "BRD-100-01,,80,dead",
        "J-1,washing-machine,Velthane,W7-60 R1 S,,,,2026-11-10,2026-12-10,drain-pump,,,"
        "mount=3-lug,,dead",
    ],
}


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str, list[str]], Path]:
    def to_file(kind: str, rows: list[str]) -> Path:
        path = tmp_path / f"{kind}.csv"
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
        return path

    return to_file


@pytest.fixture
def empty(db: None) -> Workshop:
    return Workshop.objects.create(slug="empty", name="Empty")


def load_all(workshop: Workshop, write: Callable[[str, list[str]], Path]) -> None:
    for kind in KINDS:
        sheets.import_file(kind, write(kind, ROWS[kind]), workshop=workshop, at=NOW)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_round_trips(kind: str, empty: Workshop, write, tmp_path: Path) -> None:
    """What is written is read back into a second workshop and written again, the same."""
    load_all(empty, write)
    second = Workshop.objects.create(slug="second", name="Second")
    for one in KINDS:
        path = tmp_path / f"out-{one}.csv"
        sheets.export_file(one, path, workshop=empty)
        sheets.import_file(one, path, workshop=second, at=NOW)
    first = "".join(sheets.export_text(kind, workshop=empty))
    assert first == "".join(sheets.export_text(kind, workshop=second))
    assert len(first.splitlines()) >= len(ROWS[kind])


@pytest.mark.parametrize("kind", KINDS)
def test_every_cell_of_the_file_comes_back(kind: str, empty: Workshop, write) -> None:
    load_all(empty, write)
    given = list(csv.reader(ROWS[kind]))
    found = list(csv.reader(sheets.export_text(kind, workshop=empty)))
    assert found[0] == given[0]
    for row in given[1:]:
        wanted = [
            w.replace("80", "80.00") if h == "max_price" else w
            for h, w in zip(given[0], row, strict=True)
        ]
        wanted = [f"'{w}" if w.startswith("=") else w for w in wanted]
        wanted = ["Aster 60|Aster" if w == "Aster|Aster 60" else w for w in wanted]
        assert wanted in found


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_file_twice_adds_nothing(kind: str, empty: Workshop, write) -> None:
    load_all(empty, write)
    events = OutboxEvent.of(empty).count()
    again = sheets.import_file(kind, write(kind, ROWS[kind]), workshop=empty, at=NOW)
    assert (again.added, again.changed, again.same) == (0, 0, again.rows)
    assert OutboxEvent.of(empty).count() == events


def test_an_import_names_the_numbers_it_does_not_know_exactly(empty: Workshop, write) -> None:
    load_all(empty, write)
    rows = [ROWS["donors"][0], "D-7,washing-machine,Velthane,W7-6O R1 W,,,,2026-11-03,,"]
    done = sheets.import_file("donors", write("donors", rows), workshop=empty, at=NOW)
    assert done.unsure == ("D-7",)
    assert "kept as read" in str(done)
    assert Donor.of(empty).get(ref="D-7").model_number == "W7-6O R1 W"


def test_a_dry_run_keeps_nothing_and_says_the_same(empty: Workshop, write) -> None:
    path = write("makes", ROWS["makes"])
    tried = sheets.import_file("makes", path, workshop=empty, at=NOW, dry_run=True)
    assert "".join(sheets.export_text("makes", workshop=empty)).count("\n") == 1
    assert not OutboxEvent.of(empty).exists()
    assert sheets.import_file("makes", path, workshop=empty, at=NOW) == tried


def test_blank_cells_erase_nothing_that_is_known(empty: Workshop, write) -> None:
    load_all(empty, write)
    header = ROWS["parts"][0]
    path = write("parts", [header, "P-1,D-1,control-board,,,,,,,,"])
    again = sheets.import_file("parts", path, workshop=empty, at=NOW)
    part = Part.of(empty).get(ref="P-1")
    assert again.same == 1
    assert (part.part_number, part.grade, part.bin) == ("BRD-100-01", "tested-good", "A-1")


def test_an_imported_grade_rests_on_a_test_that_says_where_it_came_from(
    empty: Workshop, write
) -> None:
    load_all(empty, write)
    test = BenchTest.of(empty).get()
    assert test.part.grade_test == test
    assert test.method == "stated in an imported file"


def test_a_part_row_takes_over_the_place_laid_at_intake(empty: Workshop, write) -> None:
    load_all(empty, write)
    donor = Donor.of(empty).get(ref="D-1")
    assert donor.parts.filter(kind="control-board").count() == 1
    assert donor.parts.get(kind="control-board").ref == "P-1"


BAD = {
    "unknown make": ("donors", "D-9,washing-machine,Velthan,W7-60 R1 W,,,,2026-11-02,,", "make"),
    "junk model number": (
        "donors",
        "D-9,washing-machine,Velthane,---,,,,2026-11-02,,",
        "model_number",
    ),
    "date that is none": (
        "donors",
        "D-9,washing-machine,Velthane,W7,,,,2026-02-30,,",
        "received_on",
    ),
    "reversed build": (
        "donors",
        "D-9,washing-machine,Velthane,W7,,2019-01-01,2018-01-01,2026-11-02,,",
        "built_to",
    ),
    "unknown appliance": ("donors", "D-9,teapot,Velthane,W7-60,,,,2026-11-02,,", "appliance"),
    "unknown cause": (
        "donors",
        "D-9,washing-machine,Velthane,W7-60,,,,2026-11-02,boredom,",
        "cause",
    ),
    "received before built": (
        "donors",
        "D-9,washing-machine,Velthane,W7-60,,2027-01-01,,2026-11-02,,",
        "received_on",
    ),
    "unknown donor": ("parts", "P-9,D-404,drain-pump,,,,,,,,", "donor_ref"),
    "unknown kind": ("parts", "P-9,D-1,flux-valve,,,,,,,,", "kind"),
    "place taken": ("parts", "P-9,D-1,drain-pump,,,,,,,,", "kind"),
    "price below zero": ("parts", "P-9,,drain-pump,,,,A,-3,2026-11-05,,", "price"),
    "comma price": ("parts", 'P-9,,drain-pump,,,,A,"1,50",2026-11-05,,', "price"),
    "bin without a day": ("parts", "P-9,D-1,heater,,,,A-3,,,,", "removed_on"),
    "never reused": ("parts", "P-9,,thermal-cutout,,,,A,,2026-11-05,,", "bin"),
    "removed before it came": ("parts", "P-9,D-1,heater,,,,A,,2026-10-01,,", "removed_on"),
    "attributes": ("parts", "P-9,D-1,heater,,,,,,,voltage,", "attributes"),
    "grade": ("parts", "P-9,D-1,heater,,,excellent,,,,,", "grade"),
    "circle": ("interchange", "control-board,BRD-100-02,BRD-100-01,0,", "to_number"),
    "itself": ("interchange", "control-board,BRD-5,brd 5,0,", "to_number"),
    "pattern": ("makes", "Ostrelle,,^(?P<family>a(?=b))$", "pattern"),
    "job rows disagree": (
        "jobs",
        "J-1,washing-machine,Velthane,W7-60 R1 S,,,,2026-11-11,2026-12-10,heater,,,,,dead\n"
        "J-1,washing-machine,Velthane,W7-60 R1 S,,,,2026-11-12,2026-12-10,belt,,,,,dead",
        "opened_on",
    ),
    "wait ends early": (
        "jobs",
        "J-8,washing-machine,Velthane,W7-60 R1 S,,,,2026-11-11,2026-11-01,heater,,,,,",
        "wait_until",
    ),
    "never reused need": (
        "jobs",
        "J-8,washing-machine,Velthane,W7-60 R1 S,,,,2026-11-11,,thermal-cutout,,,,,",
        "kind",
    ),
    "days without failure": (
        "outcomes",
        "heater,,Velthane,W7-60,,,Velthane,W7-60,,,,,,2026-01-01,worked,4",
        "days_to_failure",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_cell_is_named_and_nothing_is_kept(name: str, empty: Workshop, write) -> None:
    kind, bad, column = BAD[name]
    load_all(empty, write)
    before = ["".join(sheets.export_text(one, workshop=empty)) for one in KINDS]
    good = {"donors": "D-8,washing-machine,Velthane,W7-60 R1 W,,,,2026-11-02,,"}.get(kind)
    lines = [ROWS[kind][0], *([good] if good else []), *bad.split("\n")]
    with pytest.raises(FileRefused) as refused:
        sheets.import_file(kind, write(kind, lines), workshop=empty, at=NOW)
    assert column in {problem.column for problem in refused.value.problems}
    assert {problem.row for problem in refused.value.problems} == {len(lines)}
    assert before == ["".join(sheets.export_text(one, workshop=empty)) for one in KINDS]


def test_the_header_says_what_is_wrong_with_it(empty: Workshop, write) -> None:
    path = write("donors", ["ref,ref,colour", "D-1,D-1,red"])
    with pytest.raises(FileRefused) as refused:
        sheets.import_file("donors", path, workshop=empty, at=NOW)
    text = refused.value.message
    assert "ref stands twice" in text
    assert "received_on is missing" in text
    assert "'colour' is not known" in text


def test_the_commands_import_match_and_export(write, tmp_path: Path, capsys) -> None:
    """On an empty server the first import makes the workshop; matches are there right after."""
    for kind in KINDS:
        call_command("import_csv", kind, str(write(kind, ROWS[kind])))
    out = tmp_path / "matches.csv"
    call_command("export_csv", "matches", str(out))
    rows = list(csv.DictReader(out.open(encoding="utf-8")))
    best = next(row for row in rows if row["kind"] == "control-board" and row["rank"] == "1")
    assert (best["job_ref"], best["part_ref"], best["verdict"]) == ("J-1", "P-1", "same-part")
    assert Workshop.objects.get().slug == "workshop"
    assert Need.of(Workshop.objects.get()).filter(searched_at__isnull=True).count() == 0


def test_the_command_needs_to_know_which_workshop(bench: Bench, other_bench: Bench, write) -> None:
    with pytest.raises(CommandError, match="gannet, millrace"):
        call_command("import_csv", "makes", str(write("makes", ROWS["makes"])))
    with pytest.raises(CommandError, match="no workshop 'elsewhere'"):
        call_command(
            "import_csv", "makes", str(write("makes", ROWS["makes"])), workshop="elsewhere"
        )


def test_matches_are_written_never_read(empty: Workshop, write) -> None:
    with pytest.raises(InputRefused, match="export_csv only"):
        sheets.import_file("matches", write("matches", ["x"]), workshop=empty, at=NOW)


def test_two_workshops_import_the_same_references_apart(write) -> None:
    first, second = make_bench("one").workshop, make_bench("two").workshop
    for workshop in (first, second):
        sheets.import_file("donors", write("donors", ROWS["donors"]), workshop=workshop, at=NOW)
    assert Donor.of(first).count() == Donor.of(second).count() == 2
    assert not Job.of(first).exists()
    assert not Outcome.of(first).exists()
