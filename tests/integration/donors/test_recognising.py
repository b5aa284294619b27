"""The seam: what callers of the lookup are told."""

import pytest
from django.db import transaction

from donors import selectors, services
from donors.catalogue import Catalogue, KnownModel
from donors.domain.model_numbers import canonical
from donors.domain.recognising import How

PATTERN = r"^(?P<family>[A-Z]\d)(?P<size>\d{2})R(?P<revision>\d)(?P<colour>[A-Z])$"


@pytest.fixture
def catalogue():
    found = Catalogue()
    velthane = found.add_make("Velthane", pattern=PATTERN)
    borsund = found.add_make("Borsund")
    rows = [
        (velthane, "W7-60 R1 W", ["QUERN60"]),
        (velthane, "W7-60 R1 S", []),
        (velthane, "K3-80 R2 W", []),
        (borsund, "0874.70 KM*", []),
        (borsund, "HNX 5104 A", []),
    ]
    for i, (make, number, aliases) in enumerate(rows):
        found.add_model(
            KnownModel(i, make.pk, make.name, number, canonical(number), "", ""), aliases
        )
    return found


def test_one_that_differs_only_in_colour_says_so(catalogue):
    first, second, *rest = catalogue.recognise("W7-60 R1 W").candidates
    assert (first.model.number, first.differs_only_in) == ("W7-60 R1 W", ())
    assert (second.model.number, second.differs_only_in) == ("W7-60 R1 S", ("colour",))
    assert all(one.differs_only_in == () for one in rest)


def test_the_make_is_guessed_and_a_wrong_one_does_not_hide_the_machine(catalogue):
    seen = catalogue.recognise("HNX51O4A")
    assert (seen.make, seen.make_is_guess, seen.how) == ("Borsund", True, How.CONFUSABLE)
    wrong = catalogue.recognise("HNX5104A", make=catalogue.find_make("Velthane"))
    assert wrong.settled.number == "HNX 5104 A"
    near = catalogue.recognise("HNX51O4A", make=catalogue.find_make("Velthane"))
    assert near.likely is None
    assert near.candidates[0].model.make == "Borsund"


def test_probability_falls_when_rivals_stand_beside(catalogue):
    alone = catalogue.recognise("K3-80 R2").certainty
    beside = catalogue.recognise("W7-60 R1").certainty
    assert 0 < beside < 0.65 < alone < 1


def test_every_number_in_a_text_is_found_once(catalogue):
    text = (
        "For sale: W7-60 R1 W (2019), some scratches; also a quern 60 and a\n"
        "0874.70 KMB dryer, HNX5140A for parts. Call 0123 456789 after 18:30."
    )
    found = catalogue.find_all(text)
    assert [(text[one.start : one.end], one.seen.likely.number) for one in found] == [
        ("W7-60 R1 W", "W7-60 R1 W"),
        ("quern 60", "W7-60 R1 W"),
        ("0874.70 KMB", "0874.70 KM*"),
        ("HNX5140A", "HNX 5104 A"),
    ]
    assert [one.seen.settled is not None for one in found] == [True, True, True, False]


@pytest.mark.parametrize("text", ["", " \n", "no numbers here", "🧺 9 🧺", "1 2 3 4 5", "\x00 A1"])
def test_a_text_without_numbers_names_none(catalogue, text):
    assert catalogue.find_all(text) == []


def test_a_proposed_pattern_and_a_text_over_the_api(bench, client):
    make = bench.makes["Velthane"]
    for n in range(20):
        with transaction.atomic():
            services.add_model_number(
                workshop=bench.workshop, make=make, number=f"W7{n:02}-R3-{'WS'[n % 2]}"
            )
    client.force_login(bench.members["reviewer"].user)
    answer = client.get(f"/api/v1/makes/{make.pk}/pattern-proposal/")
    assert answer.status_code == 200
    body = answer.json()
    assert body["pattern"] == selectors.propose_pattern(bench.workshop, make.pk).pattern
    assert body["explained"] >= 20
    services.check_pattern(body["pattern"])
    answer = client.post(
        "/api/v1/find-numbers/",
        {"text": "sold with W7-60 R1 W"},
        content_type="application/json",
    )
    assert [one["settled"] for one in answer.json()] == ["W7-60 R1 W"]
    client.force_login(bench.technician.user)
    assert client.get(f"/api/v1/makes/{make.pk}/pattern-proposal/").status_code == 403
