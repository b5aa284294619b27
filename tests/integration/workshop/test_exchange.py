"""Exchange files: round trip of every kind, all or nothing, the same file twice adds nothing."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from donors.models import Donor, Make, ModelNumber
from matching import fittings, holds
from matching import services as matching_services
from matching.models import Job, Need, Outcome
from parts import numbers, shelf
from parts import services as part_services
from parts.models import BenchTest, Interchange, Part
from parts.services import PartFacts
from tests.factories import NOW, TODAY, Bench, make_bench
from workshop.domain.months import months_after
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


@pytest.mark.parametrize(
    ("verdict", "left"),
    [("failed", "scrap"), ("not-measured", None), ("worn", "tested-worn"), ("good", "tested-good")],
)
def test_an_older_file_does_not_raise_the_grade_a_bench_test_gave(
    empty: Workshop, write, verdict: str, left: str | None
) -> None:
    load_all(empty, write)
    part_services.record_bench_test(
        workshop=empty,
        ref="P-1",
        method="ran it",
        verdict=BenchTest.Verdict(verdict),
        tested_on=TODAY,
        tested_by=None,
    )
    part = Part.of(empty).get(ref="P-1")
    tests, events = BenchTest.of(empty).count(), OutboxEvent.of(empty).count()
    path = write("parts", ROWS["parts"])  # says tested-good
    if left in (None, "tested-good"):
        assert sheets.import_file("parts", path, workshop=empty, at=NOW).changed == 0
    else:
        with pytest.raises(FileRefused) as refused:
            sheets.import_file("parts", path, workshop=empty, at=NOW)
        (problem,) = refused.value.problems
        assert "grade" in str(problem)
        assert f"is better than its bench test left it ({left})" in str(problem)
    now = Part.of(empty).get(ref="P-1")
    assert (now.grade, now.grade_test_id) == (part.grade, part.grade_test_id)
    assert (BenchTest.of(empty).count(), OutboxEvent.of(empty).count()) == (tests, events)


def test_a_file_does_not_bring_back_a_grade_that_fell_with_shelf_time(
    empty: Workshop, write
) -> None:
    load_all(empty, write)
    part_services.record_bench_test(
        workshop=empty,
        ref="P-1",
        method="ran it",
        verdict=BenchTest.Verdict.GOOD,
        tested_on=TODAY,
        tested_by=None,
    )
    shelf.let_grades_fall(on=months_after(TODAY, 24))
    path = write("parts", ROWS["parts"])
    with pytest.raises(FileRefused, match="test again"):
        sheets.import_file("parts", path, workshop=empty, at=NOW)
    assert Part.of(empty).get(ref="P-1").grade == "tested-worn"
    text = "".join(sheets.export_text("parts", workshop=empty)).splitlines()
    assert sheets.import_file("parts", write("parts", text), workshop=empty, at=NOW).changed == 0


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


def take(bench: Bench, write, kind: str, *rows: str) -> sheets.Imported:
    path = write(kind, [ROWS[kind][0], *rows])
    return sheets.import_file(kind, path, workshop=bench.workshop, at=NOW)


def back(bench: Bench, write, kind: str) -> sheets.Imported:
    """Import what the workshop exports."""
    path = write(kind, "".join(sheets.export_text(kind, workshop=bench.workshop)).split("\n"))
    return sheets.import_file(kind, path, workshop=bench.workshop, at=NOW)


def fit(bench: Bench, part: Part) -> Outcome:
    held = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=bench.need().pk,
        member=bench.technician,
        now=NOW,
    )
    report = fittings.Report(Outcome.Result.WORKED, TODAY)
    return fittings.report_fitting(workshop=bench.workshop, hold_id=held.pk, report=report, now=NOW)


def test_parts_file_keeps_what_a_person_noted_of_a_laid_part(bench: Bench, write) -> None:
    donor = bench.donor()
    part = bench.part(donor)
    facts = PartFacts(part_number="AB-123456", price_cents=500, note="seen")
    part_services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)
    done = take(bench, write, "parts", f"{part.ref},{donor.ref},control-board,,,,,,,,")
    part.refresh_from_db()
    assert done.same == 1
    assert (part.part_number, part.price_cents, part.note) == ("AB-123456", 500, "seen")
    with pytest.raises(FileRefused, match=f"is on record as {part.ref}"):
        take(bench, write, "parts", f"P-77,{donor.ref},control-board,,,,,,,,")


def test_a_tested_part_is_not_renamed_by_its_place(bench: Bench, write) -> None:
    donor = bench.donor()
    part_services.record_bench_test(
        workshop=bench.workshop,
        ref=bench.part(donor).ref,
        verdict=BenchTest.Verdict.NOT_MEASURED,
        method="looked at",
        tested_on=TODAY,
        tested_by=None,
    )
    with pytest.raises(FileRefused, match="is on record as"):
        take(bench, write, "parts", f"P-77,{donor.ref},control-board,,,,,,,,")


def test_a_fitted_part_stays_fitted(bench: Bench, write) -> None:
    donor = bench.donor()
    row = f"P-77,{donor.ref},control-board,,,,,,,,"
    take(bench, write, "parts", row)
    part = bench.part(donor)
    fit(bench, part)
    assert take(bench, write, "parts", row).same == 1
    for other in (row.replace("P-77", "P-78"), f"P-77,{donor.ref},control-board,,X-1,,,,,,"):
        with pytest.raises(FileRefused, match="fitted"):
            take(bench, write, "parts", other)
    part.refresh_from_db()
    assert (part.ref, part.state) == ("P-77", Part.State.FITTED)


def test_one_place_is_not_named_twice_in_a_file(bench: Bench, write) -> None:
    donor = bench.donor()
    laid = bench.part(donor).ref
    rows = [f"{ref},{donor.ref},control-board,,,,,,,," for ref in (laid, "P-77")]
    for given in (rows, rows[::-1]):
        with pytest.raises(FileRefused, match="is on record as"):
            take(bench, write, "parts", *given)


def test_a_laid_part_written_out_and_read_back_is_as_before(bench: Bench, write) -> None:
    bench.donor()
    assert back(bench, write, "parts").changed == 0


def test_blank_cells_erase_nothing_of_makes_models_and_interchange(bench: Bench, write) -> None:
    before = Make.of(bench.workshop).get(key="VELTHANE")
    assert take(bench, write, "makes", "Velthane,,").same == 1
    after = Make.of(bench.workshop).get(key="VELTHANE")
    assert (after.aliases, after.pattern) == (before.aliases, before.pattern)
    assert take(bench, write, "models", "Velthane,W7-60 R1 W,,,").same == 1
    assert ModelNumber.of(bench.workshop).get(number="W7-60 R1 W").family == "W7"
    take(bench, write, "interchange", "drain-pump,AA-1111,BB-2222,1,seen")
    assert take(bench, write, "interchange", "drain-pump,AA-1111,BB-2222,,").same == 1
    row = Interchange.of(bench.workshop).get()
    assert (row.both_ways, row.note) == (True, "seen")


def test_a_new_alias_counts_as_a_change(bench: Bench, write) -> None:
    assert take(bench, write, "models", "Velthane,W7-60 R1 W,Zephyr 9,,").changed == 1


def test_a_changed_interchange_closes_no_circle(bench: Bench, write) -> None:
    ways = ("drain-pump,AA-1111,BB-2222", "drain-pump,BB-2222,AA-1111")
    take(bench, write, "interchange", *(f"{way},1," for way in ways))
    with pytest.raises(FileRefused, match="circle"):
        take(bench, write, "interchange", *(f"{way},0," for way in ways))
    with pytest.raises(FileRefused, match="AA1111 > BB2222 <> AA1111"):
        take(bench, write, "interchange", f"{ways[0]},0,")  # both ways beside one way
    take(bench, write, "interchange", "drain-pump,AA-1111,CC-3333,1,")
    assert take(bench, write, "interchange", "drain-pump,AA-1111,CC-3333,0,").changed == 1


def test_a_circle_on_record_can_still_be_read(bench: Bench, write) -> None:
    ways = ("drain-pump,AA-1111,BB-2222", "drain-pump,BB-2222,AA-1111")
    take(bench, write, "interchange", *(f"{way},1," for way in ways))
    Interchange.of(bench.workshop).update(both_ways=False)
    graph = numbers.interchange_graph(bench.workshop.pk, "drain-pump")
    assert graph.serves("AA1111", "BB2222")
    assert graph.serves("BB2222", "AA1111")
    assert back(bench, write, "interchange").same == 2


def test_outcomes_reported_on_the_site_are_known_when_they_come_back(bench: Bench, write) -> None:
    first, _ = fit(bench, bench.part(bench.donor())), fit(bench, bench.part(bench.donor()))
    assert back(bench, write, "outcomes").added == 0
    old = "".join(sheets.export_text("outcomes", workshop=bench.workshop)).splitlines()[1:]
    fittings.report_failure(workshop=bench.workshop, outcome_id=first.pk, failed_on=TODAY)
    assert back(bench, write, "outcomes").added == 0
    assert take(bench, write, "outcomes", *old).added == 0
    assert take(bench, write, "outcomes", *old, old[0]).added == 1
    fit(bench, bench.part(bench.donor()))


def test_the_order_of_attributes_makes_no_other_outcome(bench: Bench, write) -> None:
    row = "drain-pump,,Velthane,W7-60 R1 W,,,Velthane,W7-60 R1 W,,,,{},,2026-01-01,worked,"
    take(bench, write, "outcomes", row.format("voltage_v=230;mount=a"))
    assert take(bench, write, "outcomes", row.format("mount=a;voltage_v=230")).added == 0


def test_what_a_person_confirmed_holds_until_the_plate_reads_otherwise(bench: Bench, write) -> None:
    job = "J-5,washing-machine,Velthane,{},,,,2026-11-20,,control-board,,,,,"
    donor = "D-5,washing-machine,Velthane,{},,,,2026-11-20,,"
    take(bench, write, "jobs", job.format("W7-6O R1 W"))
    take(bench, write, "donors", donor.format("W7-6O R1 W"))
    said = ModelNumber.of(bench.workshop).get(number="W7-60 R2 W").pk
    matching_services.confirm_job_model(workshop=bench.workshop, ref="J-5", model_id=said)
    part_services.confirm_donor_model(workshop=bench.workshop, ref="D-5", model_id=said)
    for kind, row, rows in (("jobs", job, Job), ("donors", donor, Donor)):
        assert take(bench, write, kind, row.format("W7-6O R1 W")).same == 1
        found = rows.of(bench.workshop).get(ref=row[:3])
        assert (found.recognised_id, found.confirmed) == (said, True)
        take(bench, write, kind, row.format("K3-60 R1 W"))
        found.refresh_from_db()
        assert not found.confirmed
        assert found.recognised_id != said


def test_a_cell_is_taken_with_long_notes_line_ends_and_unseen_characters(
    bench: Bench, write
) -> None:
    note = "x" * 3000
    row = "D-{},washing-machine,Velthane,W7-60\u200b R1 W,,,,2026-11-20,,{}"
    take(bench, write, "donors", row.format(1, note), row.format(2, '"leaks\r\nnoisy"'))
    long, lines = Donor.of(bench.workshop).order_by("ref")
    assert (long.note, lines.note) == (note, "leaks\nnoisy")
    assert long.model_number == "W7-60 R1 W"
    with pytest.raises(FileRefused, match="is blank"):
        take(bench, write, "makes", "\u200b,,")


@pytest.mark.parametrize(
    ("kind", "row"), [("makes", "Ostrelle,{},"), ("models", "Velthane,Q-9,{},,")]
)
def test_an_alias_that_does_not_fit_is_named(kind: str, row: str, bench: Bench, write) -> None:
    with pytest.raises(FileRefused, match="column aliases"):
        take(bench, write, kind, row.format("A" * 81))


def test_a_refused_import_leaves_no_workshop_behind(db: None, write) -> None:
    with pytest.raises(CommandError, match="nothing was imported"):
        call_command("import_csv", "makes", str(write("makes", ["nonsense"])))
    with pytest.raises(CommandError, match="cannot name a workshop"):
        call_command(
            "import_csv", "makes", str(write("makes", ROWS["makes"])), workshop="Not A Slug!"
        )
    assert not Workshop.objects.exists()
