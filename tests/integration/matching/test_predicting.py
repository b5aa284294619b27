"""Which number a machine likely carries: the API, the donor's page and the job's."""

from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from matching import predicting
from matching.models import Outcome
from parts import services as part_services
from parts.services import PartFacts
from tests.factories import TODAY, Bench

pytestmark = pytest.mark.django_db

KIND = "control-board"


def strip(bench: Bench, number: str, times: int, model: str = "W7-60 R1 W") -> None:
    """Take machines in and read the number off the board of each."""
    for _ in range(times):
        part = bench.part(bench.donor(model))
        facts = PartFacts(part_number=number)
        part_services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)


@pytest.fixture
def seen(bench: Bench) -> Bench:
    strip(bench, "BRD-100-01", 7)
    strip(bench, "BRD-200-01", 1)
    return bench


def ask(client, **asked: str):
    given = {"make": "Velthane", "model_number": "W7-60 R1 W", "kind": KIND, **asked}
    return client.get("/api/v1/parts/predicted/", given)


def test_the_api_says_the_numbers_their_odds_and_what_they_rest_on(seen: Bench, sign_in) -> None:
    found = ask(sign_in("cataloguer")).data
    assert [one["number"] for one in found["numbers"]] == ["BRD-100-01", "BRD-200-01"]
    assert [one["seen"] for one in found["numbers"]] == [7, 1]
    assert (found["of"], found["such"]) == (8, "machines of this model")
    assert sum(one["chance"] for one in found["numbers"]) + found["another"] == pytest.approx(1)
    assert 0.7 < found["numbers"][0]["chance"] < 7 / 8
    assert "seen in 7 of 8 machines of this model" in found["sentence"]


def test_nothing_known_is_said_to_be_nothing(seen: Bench, sign_in) -> None:
    found = ask(sign_in("cataloguer"), kind="heater").data
    assert (found["numbers"], found["sentence"], found["another"]) == ([], "", 1.0)


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"kind": "flux-pump"}, "kind"),
        ({"make": "Nobody"}, "make"),
        ({"model_number": ""}, "model_number"),
        ({"built_from": "2020-05-01", "built_to": "2019-05-01"}, "built_to"),
        ({"built_from": "yesterday"}, "built_from"),
        ({"built_from": "0001-01-01"}, "built_from"),
    ],
)
def test_bad_questions_are_refused_by_field(seen: Bench, sign_in, asked, field) -> None:
    answer = ask(sign_in("cataloguer"), **asked)
    assert answer.status_code == 400
    assert field in str(answer.data)


def test_imported_fittings_teach_too(bench: Bench, sign_in) -> None:
    machine = {
        "make": "Velthane",
        "number": "W760R1W",
        "family": "W7",
        "appliance": "",
        "fields": {"family": "W7", "revision": "1"},
        "sure": 1.0,
    }
    Outcome.objects.create(
        workshop=bench.workshop,
        kind_id=KIND,
        part_number="BRD-9",
        fitted_on=TODAY,
        result="worked",
        fingerprint="x",
        learned={"donor": machine, "job": {}},
    )
    [found] = ask(sign_in("cataloguer")).data["numbers"]
    assert (found["number"], found["seen"]) == ("BRD9", 1)


def test_the_pages_say_it_beside_what_was_not_read(seen: Bench, sign_in) -> None:
    donor, job = seen.donor("W7-60 R1 W"), seen.job("W7-60 R1 W")
    client = sign_in_page(seen)
    words = "likely carries BRD-100-01"
    assert words in client.get(f"/donors/{donor.ref}/").content.decode()
    assert words in client.get(f"/jobs/{job.ref}/").content.decode()
    read = seen.job("W7-60 R1 W", part_number="BRD-100-01")
    assert words not in client.get(f"/jobs/{read.ref}/").content.decode()


def sign_in_page(bench: Bench):
    from django.test import Client

    client = Client()
    client.force_login(bench.technician.user)
    return client


def test_another_workshop_teaches_nothing(seen: Bench, other_bench: Bench) -> None:
    found = predicting.predict_for_plate(
        other_bench.workshop, make="Velthane", model_number="W7-60 R1 W", kind=KIND
    )
    assert found.numbers == ()


def test_the_same_queries_however_many_rows(seen: Bench) -> None:
    def queries() -> int:
        parts = list(seen.donor("W7-60 R1 W").parts.select_related("donor__make"))
        with CaptureQueriesContext(
            connection,
        ) as caught:
            predicting.for_unread_parts(seen.workshop.pk, parts)
        return len(caught)

    first = queries()
    strip(seen, "BRD-300-01", 5, "W7-80 R1 W")
    for model in ("W7-60 R2 W", "K3-60 R1 W"):
        strip(seen, "BRD-400-01", 2, model)
    assert queries() == first <= 6


def test_a_build_date_narrows_it(bench: Bench, sign_in) -> None:
    for year, number in ((2012, "OLD-1"), (2020, "NEW-1")):
        for _ in range(3):
            donor = bench.donor(built_from=date(year, 1, 1), built_to=date(year, 2, 1))
            facts = PartFacts(part_number=number)
            part_services.describe_part(
                workshop=bench.workshop, ref=bench.part(donor).ref, facts=facts
            )
    client = sign_in("cataloguer")
    for year, number in ((2012, "OLD-1"), (2020, "NEW-1")):
        found = ask(client, built_from=f"{year}-01-05", built_to=f"{year}-01-20").data
        assert found["numbers"][0]["number"] == number
