"""What words say of a machine. Wording: common practice of sellers, made up for these tests."""

import json
from pathlib import Path

import pytest

from donors.domain.listings.wording import (
    Vocabulary,
    age_said,
    appliance_said,
    cause_said,
    is_elsewhere,
    is_plated,
)

WORDS = Vocabulary.of(
    [
        ("bearing-drum", ["bearing", "loud on spin"]),
        ("leak-internals", ["leak", "leaks", "leaking"]),
        ("drain-blocked", ["does not drain", "drain pump"]),
        ("unrelated", ["works fine", "moved house"]),
    ]
)
KINDS = Vocabulary.of(
    [
        ("washing-machine", ["washing machine", "washer"]),
        ("tumble-dryer", ["dryer"]),
        ("", ["oven"]),
    ]
)
REFERENCE = Path(__file__).parents[5] / "fixtures" / "reference"


@pytest.mark.parametrize(
    ("text", "cause", "words"),
    [
        ("Bearing gone, very loud", "bearing-drum", ("Bearing",)),
        ("it is LOUD  on\nspin", "bearing-drum", ("LOUD  on\nspin",)),
        ("does not drain", "drain-blocked", ("does not drain",)),
        ("no leaks, works fine", "unrelated", ("works fine",)),
        ("new bearing last year", "", ()),
        ("the bearing is fine. leaks", "leak-internals", ("leaks",)),
        ("moved house, leaking", "leak-internals", ("leaking",)),
        ("it no longer works fine", "", ()),
        ("bearings", "", ()),
        ("white, 60 cm", "", ()),
    ],
)
def test_cause(text, cause, words):
    found = cause_said(text, WORDS)
    assert (found.cause, found.words) == (cause, words)


def test_a_second_fault_is_told_beside_the_first():
    found = cause_said("does not drain and leaks", WORDS)
    assert (found.cause, found.also) == ("drain-blocked", ("leak-internals",))


@pytest.mark.parametrize(
    ("title", "text", "appliance"),
    [
        ("Washing machine", "dryer also for sale", "washing-machine"),
        ("", "old washer next to the dryer", "washing-machine"),
        ("Oven", "was beside the washer", ""),
    ],
)
def test_kind_of_machine(title, text, appliance):
    assert appliance_said(title, text, KINDS).what == appliance


def test_no_kind_is_named():
    assert appliance_said("For sale", "white, works", KINDS) is None


@pytest.mark.parametrize(
    ("text", "years"),
    [
        ("built 2015", (2015, 2015)),
        ("bought in 2016", (2014, 2016)),
        ("8 years old", (2017, 2018)),
        ("ten yrs old", (2015, 2016)),
        ("from 2031", None),
        ("99 years old", None),
        ("1400 rpm", None),
    ],
)
def test_age(text, years):
    found = age_said(text, year=2026)
    assert (found and (found.first_year, found.last_year)) == years


@pytest.mark.parametrize(
    ("text", "elsewhere", "plated"),
    [
        ("fits ", True, False),
        ("upgraded to a Velthane ", True, False),
        ("model ", False, True),
        ("E-Nr. ", False, True),
        ("serial no. ", True, True),
        ("Velthane ", False, False),
    ],
)
def test_what_stands_before_a_number(text, elsewhere, plated):
    whole = f"{text}W760R1W"
    assert (is_elsewhere(whole, len(text)), is_plated(whole, len(text))) == (elsewhere, plated)


def test_the_words_on_file_refer_to_what_there_is():
    file = json.loads((REFERENCE / "listing_words.json").read_text(encoding="utf-8"))
    rows = json.loads((REFERENCE / "failure_causes.json").read_text(encoding="utf-8"))
    known = {(row["appliance"], row["slug"]) for row in rows}
    assert {(row["appliance"], row["cause"]) for row in file["causes"]} <= known
    kinds = {row["appliance"] for row in file["appliances"]} - {""}
    assert kinds == {row["appliance"] for row in rows}
    for row in [*file["causes"], *file["appliances"], file["sound"]]:
        assert row["source"].startswith("common practice")
        assert all(word == word.lower().strip() and word for word in row["words"])
