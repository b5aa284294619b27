"""Codes of a workshop's own: the delivered ones are invented, for invented makes."""

import csv

import pytest

from matching.domain.diagnosis.diagnosing import diagnose
from matching.domain.diagnosis.fault_codes import COLUMNS, FaultCode, FaultCodes, written
from tests.unit.matching.domain.diagnosis.faults import delivered, kind_names
from tests.unit.reference import FOLDER, read
from workshop.domain.refusals import ValueRefused

FILE = FOLDER.parent / "demo_fault_codes.csv"
MAKES = {"Velthane", "Borsund", "Quillmar", "Ostrelle", "Kaspervik"}
ROW = {"make": "Velthane", "appliance": "dishwasher", "code": "p-4", "suspects": "drain-pump=2"}


@pytest.fixture(scope="module")
def rows():
    with FILE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def codes(rows):
    return FaultCodes.of(rows)


def test_the_delivered_table_is_of_invented_makes_and_known_kinds(rows, codes):
    assert tuple(rows[0]) == COLUMNS
    carried = {(row["appliance"], row["kind"]) for row in read("carried")}
    assert {one.make for one in codes.codes} == MAKES
    for one in codes.codes:
        for suspect in one.suspects:
            assert suspect in delivered().causes or (one.appliance, suspect) in carried


def test_the_range_s_own_row_comes_before_the_make_s(codes):
    asked = {"make": "velthane", "appliance": "washing-machine"}
    assert codes.find("P4", **asked).meaning == "water not out in time"
    assert codes.find("P4", range_="Y7L", **asked).meaning == "drain pump draws no current"
    assert codes.find("P4", range_="M2W", **asked).meaning == "water not out in time"


@pytest.mark.parametrize("text", ["P4", "p4", " p-4 ", "P:4", "P.4"])
def test_a_code_is_found_however_it_is_written(codes, text):
    assert codes.find(text, make="Velthane", appliance="dishwasher") is not None


@pytest.mark.parametrize(
    ("text", "make", "appliance"),
    [
        ("P9", "Velthane", "dishwasher"),
        ("P4", "Borsund", "dishwasher"),
        ("P4", "Velthane", "microwave"),
    ],
)
def test_what_nobody_wrote_down_is_not_guessed(codes, text, make, appliance):
    assert codes.find(text, make=make, appliance=appliance) is None


def test_a_code_is_a_symptom_like_others(codes):
    code = codes.find("H1", make="Velthane", appliance="washing-machine")
    found = diagnose(delivered(), [code.as_symptom()], kinds=kind_names())
    assert found.suspects[0].slug == "heater"
    assert code.as_symptom().name == "shows H1: water not warm in time"


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"code": "  "}, "code"),
        ({"make": ""}, "make"),
        ({"suspects": ""}, "suspects"),
        ({"suspects": "drain-pump"}, "suspects"),
        ({"suspects": "drain-pump=much"}, "suspects"),
        ({"suspects": "drain-pump=-2"}, "suspects"),
        ({"suspects": "drain-pump=nan"}, "suspects"),
        ({"suspects": "=2"}, "suspects"),
    ],
)
def test_rows_refused(changed, field):
    with pytest.raises(ValueRefused) as refused:
        FaultCode.of(ROW | changed)
    assert field in refused.value.fields


def test_every_row_at_fault_is_named():
    with pytest.raises(ValueRefused) as refused:
        FaultCodes.of([ROW, ROW | {"code": ""}, ROW | {"code": "P 4"}])
    assert set(refused.value.fields) == {"row 2", "row 3"}
    assert "twice" in refused.value.fields["row 3"]


def test_written():
    assert written("  k-07.b") == "K07B"
