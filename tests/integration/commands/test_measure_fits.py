"""manage.py measure_fits: in memory, strict, and the same answers as the service gives.

Tests without the database mark prove that the command does not ask for it: pytest-django
refuses them any query.
"""

import csv
import dataclasses
import json
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import transaction

from donors import services
from donors.catalogue import Catalogue
from donors.catalogue_files import guess_patterns, read_catalogue
from donors.models import Make
from fixtures.demo.make_world import make_cases, make_world, write_world
from fixtures.demo.world.write import write_csv
from matching import gather, measuring, pairs
from matching.domain.scoring import Score, score
from matching.domain.sightings import Seen
from matching.exchange import Outcomes
from matching.models import Outcome
from parts.reference import kinds
from tests.factories import NOW
from workshop import dispatcher
from workshop.exchange import sheets
from workshop.exchange.reading import Row, read_file
from workshop.models import Workshop

PAIR = [column.name for column in pairs.COLUMNS]
MAKES = [
    "make,aliases,pattern",
    r"Velthane,Velt,^(?P<family>[A-Z]\d)(?P<size>\d{2})R(?P<revision>\d)(?P<colour>[A-Z])$",
]
MODELS = [
    "make,model_number,aliases,appliance,family",
    "Velthane,W7-60 R1 W,,washing-machine,W7",
    "Velthane,K3-60 R1 W,,washing-machine,K3",
    "Borsund,55.12,,washing-machine,55",
]
INTERCHANGE = [
    "kind,from_number,to_number,both_ways,note",
    "control-board,BRD-100-01,XYZ-7,0,newer",
]
Write = Callable[[str, list[str]], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def to_file(name: str, lines: list[str]) -> Path:
        path = tmp_path / f"{name}.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return to_file


def pair(fits: int | None = None, **cells: str) -> str:
    """Return a row of cases.csv, or of outcomes.csv without fits."""
    values = {"kind": "control-board", "donor_make": "Velthane", "job_make": "Velthane", **cells}
    assert set(values) <= {*PAIR, "fitted_on", "result"}
    row = ",".join(values.get(name, "") for name in PAIR)
    return f"{row},{fits}" if fits is not None else f"{row},2026-05-02,{cells['result']},"


CASES = [
    ",".join([*PAIR, "fits"]),
    pair(1, part_number="BRD-100-01", job_part_number="brd 100-01"),
    pair(1, part_number="XYZ-7", job_part_number="BRD-100-01"),
    pair(0, donor_model_number="W7-60 R1 W", job_model_number="W7-60 R1 W"),
    pair(0, donor_model_number="W7-60 R1 W", job_model_number="K3-60 R1 W"),
    pair(0, part_attributes="voltage_v=230", job_attributes="voltage_v=120"),
]
HISTORY_HEADER = ",".join([*PAIR, "fitted_on", "result", "days_to_failure"])


def run(cases: Path, **options: Any) -> dict[str, Any]:
    out = StringIO()
    call_command("measure_fits", cases, json=True, stdout=out, **options)
    found: dict[str, Any] = json.loads(out.getvalue())
    return found


def test_one_json_object_with_every_measure(write: Write) -> None:
    found = run(
        write("cases", CASES),
        makes=write("makes", MAKES),
        models=write("models", MODELS),
        interchange=write("interchange", INTERCHANGE),
    )
    verdicts = found.pop("verdicts")
    assert verdicts == {
        "same-part": {"count": 1, "precision": 1.0},
        "known-to-fit": {"count": 1, "precision": 1.0},
        "likely-fits": {"count": 1, "precision": 0.0},
        "check-first": {"count": 0, "precision": None},
        "does-not-fit": {"count": 2, "precision": 0.0},
    }
    assert found.pop("cases") == 5
    assert found.pop("precision") == pytest.approx(2 / 3)
    assert found.pop("recall") == 1.0
    assert found.pop("f1") == pytest.approx(0.8)
    assert found.pop("average_precision") == 1.0
    assert set(found) == {"brier", "log_loss", "ece"}
    assert all(0 < value < 1 for value in found.values())


def test_lines_to_read_and_a_file_of_cases(write: Write, tmp_path: Path) -> None:
    out, path = StringIO(), tmp_path / "scored.csv"
    call_command("measure_fits", write("cases", CASES), out=path, stdout=out)
    lines = out.getvalue().splitlines()
    assert lines[0].split() == ["cases", "5"]
    assert "known-to-fit       0 cases, not defined of them fit" in lines
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == [*PAIR, "fits", "p_fit", "verdict"]
    assert [row["verdict"] for row in rows][:1] == ["same-part"]
    assert rows[4]["part_attributes"] == "voltage_v=230"
    assert (rows[4]["fits"], rows[4]["p_fit"]) == ("0", "0.000000")


def test_no_case_at_all(write: Write) -> None:
    found = run(write("cases", CASES[:1]))
    assert found["cases"] == 0
    assert {found[name] for name in ("precision", "f1", "average_precision", "ece")} == {None}


def test_makes_and_models_no_file_names_are_known_by_their_text(write: Write) -> None:
    """Two plates of one unlisted make and number are the same model; another make is another."""
    numbers = {"donor_model_number": "ABC 1", "job_model_number": "abc-1"}
    same = pair(1, donor_make="Quillmar", job_make="quillmar", **numbers)
    other = pair(0, donor_make="Quillmar", job_make="Ostrelle", **numbers)
    material = measuring.read_material(write("cases", [CASES[0], same, other]))
    scores = measuring.score_all(material, gather.weights())
    levels = [[r.level for r in one.rows if r.evidence == "model"] for one in scores]
    assert levels == [["same"], ["other-make"]]


def test_history_teaches_which_number_a_machine_carries(write: Write) -> None:
    """The fittings are of other machines of the model; the case prints no number on the job."""
    models = write("models", MODELS)
    makes = write("makes", MAKES)
    machine = {"job_model_number": "W7-60 R1 W"}
    case = pair(1, part_number="BRD-100-01", donor_model_number="K3-60 R1 W", **machine)
    past = pair(
        part_number="BRD-100-01",
        donor_model_number="W7-60 R1 W",
        job_model_number="W7-60 R1 S",
        job_part_number="BRD-100-01",
        result="worked",
    )
    cases, history = write("cases", [CASES[0], case]), write("past", [HISTORY_HEADER, past])
    without = run(cases, makes=makes, models=models)
    taught = run(cases, makes=makes, models=models, history=history)
    assert taught["log_loss"] < without["log_loss"] / 2


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (pair(1, kind="flux-gate"), "row 2, column kind: 'flux-gate' is no known part kind"),
        (pair(2), "row 2, column fits: '2' must be 0 or 1"),
        (pair(1, donor_make="--"), "row 2, column donor_make: '--' holds no letter or digit"),
        (
            pair(1, job_built_from="2019-05-01", job_built_to="2018-05-01"),
            "row 2, column job_built_to: '2018-05-01' lies before job_built_from",
        ),
    ],
)
def test_a_bad_cell_is_named(write: Write, line: str, message: str) -> None:
    with pytest.raises(CommandError) as refused:
        run(write("cases", [CASES[0], line]))
    assert message in str(refused.value)


@pytest.mark.parametrize(
    ("option", "lines", "message"),
    [
        ("makes", [MAKES[0], "Velthane,,(?P<shoe>.)"], "row 2, column pattern"),
        ("models", [MODELS[0], MODELS[1], MODELS[1]], "row 3, column model_number"),
        ("interchange", [INTERCHANGE[0], "control-board,A1,A1,0,"], "row 2, column to_number"),
        ("history", [HISTORY_HEADER, pair(result="burnt")], "row 2, column result"),
    ],
)
def test_a_bad_cell_of_any_file_is_named(
    write: Write, option: str, lines: list[str], message: str
) -> None:
    with pytest.raises(CommandError) as refused:
        run(write("cases", CASES), **{option: write(option, lines)})
    assert message in str(refused.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="there is no such file"):
        run(tmp_path / "nowhere.csv")


def test_out_that_cannot_be_written(write: Write, tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="cannot be written"):
        run(write("cases", CASES), out=tmp_path / "no" / "such" / "folder.csv")


# One mechanism -------------------------------------------------------------------------------


def sighted(part_id: int | None) -> int:
    """Return how many sightings one past fitting with two printed numbers adds."""
    machine = {"make": "Velthane", "family": "W7", "number": "W760R1W", "fields": {}}
    row = Outcome(
        part_id=part_id,
        kind_id="control-board",
        result="worked",
        part_number="BRD-100-01",
        job_part_number="BRD-100-02",
        learned={"donor": machine, "job": machine},
    )
    known = gather.Knowledge(kinds()["control-board"], gather.weights())
    added: list[Seen] = []
    known.sightings.add_all = added.extend  # type: ignore[method-assign]
    gather.learn(known, [row])
    return len(added)


def test_only_imported_fittings_add_sightings() -> None:
    """One reported here is of a part on record, whose number was noted when it came in."""
    assert sighted(None) == 2
    assert sighted(17) == 0


def unworded(found: Score) -> tuple[object, ...]:
    """Return a score without its sentences: only the service knows numbers as printed."""
    rows = [dataclasses.replace(row, sentence="") for row in found.rows]
    return (rows, found.bits, found.verdict, found.stopped)


def guess_like_the_measurement(workshop: Workshop, shop: Path, rows: list[Row]) -> None:
    """Give the service the pattern it would guess had it seen the machines of the cases too."""
    read = read_catalogue(makes=shop / "makes.csv", models=shop / "models.csv")
    past = read_file(shop / "outcomes.csv", Outcomes.columns)
    guess_patterns(read, measuring.numbers_in([*rows, *past]))
    dispatcher.drain()
    for make in read.makes:
        stored = Make.of(workshop).get(key=make.key)
        with transaction.atomic():
            services.set_guess(make=stored, pattern=make.guessed_pattern, seen=10**6)
    assert Make.of(workshop).exclude(guessed_pattern="").exists()
    dispatcher.drain()


@pytest.mark.django_db
def test_the_service_gives_the_same_answers(tmp_path: Path) -> None:
    """A small world, imported, and measured from its files: equal rows for every case."""
    world = make_world(seed=3, scale=0.15)
    write_world(world, tmp_path)
    write_csv(tmp_path / "cases.csv", "cases", make_cases(world, 60, 3))
    shop = tmp_path / "millrace-lane"
    workshop = Workshop.objects.create(slug="measured", name="Measured")
    for kind in ("makes", "models", "interchange", "outcomes"):
        sheets.import_file(kind, shop / f"{kind}.csv", workshop=workshop, at=NOW)
    material = measuring.read_material(
        tmp_path / "cases.csv",
        history=shop / "outcomes.csv",
        models=shop / "models.csv",
        makes=shop / "makes.csv",
        interchange=shop / "interchange.csv",
    )
    rows = read_file(tmp_path / "cases.csv", measuring.CASE_COLUMNS)
    guess_like_the_measurement(workshop, shop, rows)
    catalogue, known = Catalogue.load(workshop), gather.knowledge(workshop.pk, kinds())
    for row, measured in zip(rows, measuring.score_all(material, gather.weights()), strict=True):
        stated = pairs.stated(row, set(kinds()), catalogue)
        assert stated is not None
        stored = gather.past_of(Outcome(result="worked", **stated))
        served = score(stored.offer, stored.want, known[stated["kind_id"]])
        assert unworded(served) == unworded(measured)
