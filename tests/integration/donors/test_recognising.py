"""The seam: what callers of the lookup are told."""

import pytest
from django.db import transaction

from donors import selectors, services
from donors.catalogue import Catalogue
from donors.domain.model_numbers import canonical
from donors.domain.recognising import How
from donors.recognition import KnownModel

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


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("Velthane W7-60 R1 W", "W7-60 R1 W"),
        ("VELTHANE model no. W7-60 R1 W", "W7-60 R1 W"),
        ("W7-60 R1 W Velthane", "W7-60 R1 W"),
    ],
)
def test_the_name_of_a_make_beside_a_number_is_read_as_the_make(catalogue, text, number):
    seen = catalogue.recognise(text)
    assert (seen.settled.number, seen.make, seen.make_is_guess) == (number, "Velthane", False)
    assert seen.canonical == canonical(number)


def test_a_known_number_that_holds_the_name_of_its_make_is_that_number():
    found = Catalogue()
    make = found.add_make("Velthane")
    for i, number in enumerate(["Velthane 60", "60-A2", "60"]):
        found.add_model(KnownModel(i, make.pk, make.name, number, canonical(number), "", ""))
    assert found.recognise("velthane 60").settled.number == "Velthane 60"
    assert found.recognise("velthane 60-A2").settled.number == "60-A2"


def test_a_number_among_unknown_words_is_offered_and_settles_nothing(catalogue):
    seen = catalogue.recognise("grey front loader HNX 5104 A, 1400 turns a minute")
    assert seen.settled is None
    assert seen.how is How.NAMED
    assert seen.likely.number == "HNX 5104 A"
    assert 0.5 < seen.certainty < 1
    assert seen.candidates[0].how is How.NAMED


def test_words_do_not_outweigh_a_number_that_reads_alike(catalogue):
    """The whole is one misreading from a number; a word of it is another number in full."""
    make = catalogue.find_make("Borsund")
    longer = KnownModel(9, make.pk, make.name, "QUERN60 HNX 77", "QUERN60HNX77", "", "")
    catalogue.add_model(longer)
    assert catalogue.recognise("QUERN60 HNX 7Z").candidates[0].model.number == "QUERN60 HNX 77"


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


@pytest.mark.django_db
def test_an_accepted_pattern_reads_the_machines_of_its_make_again(bench, client):
    make = bench.makes["Borsund"]
    donor = bench.donor("5104-27-K", make="Borsund")
    bench.drain()
    assert _put(client, bench.technician, make, "").status_code == 403
    reviewer = bench.members["reviewer"]
    refused = _put(client, reviewer, make, "(?P<family>A+)(?=B)")
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (400, "pattern")
    pattern = r"(?P<family>\d{4})(?P<revision>\d\d)(?P<colour>[A-Z])"
    assert _put(client, reviewer, make, pattern).status_code == 200
    bench.drain()
    donor.refresh_from_db()
    assert donor.fields == {"family": "5104", "revision": "27", "colour": "K"}
    assert _put(client, reviewer, make, "").status_code == 200
    bench.drain()
    donor.refresh_from_db()
    assert donor.fields == {}


def _put(client, member, make, pattern):
    client.force_login(member.user)
    path = f"/api/v1/makes/{make.pk}/pattern/"
    return client.put(path, {"pattern": pattern}, content_type="application/json")


@pytest.mark.django_db
def test_a_reviewer_accepts_a_proposed_pattern_on_its_page(bench, client):
    make = bench.makes["Borsund"]
    for n in range(20):
        services.add_model_number(
            workshop=bench.workshop,
            make=make,
            number=f"{'KM' if n % 3 else 'RT'}{4100 + n}-{n % 2}",
        )
    client.force_login(bench.members["reviewer"].user)
    page = client.get(f"/makes/{make.pk}/pattern/")
    proposed = selectors.propose_pattern(bench.workshop, make.pk).pattern
    assert page.context["form"].initial["pattern"] == proposed != ""
    assert client.post(f"/makes/{make.pk}/pattern/", {"pattern": proposed}).status_code == 302
    make.refresh_from_db()
    assert make.pattern == proposed
    bad = client.post(f"/makes/{make.pk}/pattern/", {"pattern": "(?P<family>["})
    assert (bad.status_code, b"pattern" in bad.content) == (400, True)
