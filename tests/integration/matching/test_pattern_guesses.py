"""A make without a pattern is read by what its numbers propose, until a reviewer stores one."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from donors import services as donor_services
from donors.models import Donor, Make
from matching import pattern_guesses
from matching.models import Alert, Match, Outcome
from matching.outcome_keys import keyed
from tests.factories import TODAY, Bench
from workshop import dispatcher
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db
NUMBERS = [
    f"{family}{size}-{revision}{colour}"
    for family in ("HX", "KB", "QT")
    for size in (410, 420, 530, 640)
    for revision in (1, 2)
    for colour in "WSG"
]


def let_guess(bench: Bench) -> None:
    """Let the dispatcher act, the sweep guess, and the dispatcher act on that."""
    bench.drain()
    dispatcher.sweep(now=timezone.now())
    bench.drain()


def make_known(bench: Bench, numbers: list[str]) -> Make:
    """Let a make without a pattern be known by some numbers; nothing else happens."""
    for number in numbers:
        donor_services.add_model_number(
            workshop=bench.workshop, make=bench.makes["Borsund"], number=number,
            appliance="washing-machine",
        )  # fmt: skip
    let_guess(bench)
    return Make.of(bench.workshop).get(name="Borsund")


def test_known_numbers_give_a_make_its_guess(bench: Bench) -> None:
    assert make_known(bench, NUMBERS[:20]).guessed_pattern == ""
    make = make_known(bench, NUMBERS[20:])
    assert "(?P<family>" in make.guessed_pattern
    assert make.pattern == ""


def test_a_machine_is_read_by_it_and_trusted_less_than_by_a_stored_one(bench: Bench) -> None:
    make = make_known(bench, NUMBERS)
    guessed = bench.donor("HX 990-1 W", make="Borsund")
    assert guessed.family == "HX"
    donor_services.set_pattern(
        workshop=bench.workshop, make_id=make.pk,
        pattern=r"^(?P<family>[A-Z]{2})(?P<size>\d{3})(?P<revision>\d)(?P<colour>[A-Z])$",
    )  # fmt: skip
    stored = bench.donor("HX 991-1 W", make="Borsund")
    assert stored.fields["revision"] == "1"
    assert guessed.certainty < 0.8 <= stored.certainty


def test_a_stored_pattern_is_never_guessed_over(bench: Bench) -> None:
    for _ in range(40):
        bench.donor("W7-60 R1 W")
    let_guess(bench)
    velthane = Make.of(bench.workshop).get(name="Velthane")
    assert velthane.guessed_pattern == ""


def test_machines_that_come_in_bring_the_guess_and_are_read_again(bench: Bench) -> None:
    need = bench.need("HX 777-2 W", make="Borsund")
    for number in NUMBERS:
        bench.donor(number, make="Borsund")
    let_guess(bench)
    assert Make.of(bench.workshop).get(name="Borsund").guessed_pattern
    assert set(Donor.of(bench.workshop).values_list("family", flat=True)) == {"HX", "KB", "QT"}
    need.job.refresh_from_db()
    assert need.job.family == "HX"
    told = Match.of(bench.workshop).filter(need=need, part__donor__family="HX")
    assert told.exists()


def test_arrivals_only_ask_and_the_sweep_looks_once(bench: Bench) -> None:
    for number in NUMBERS[:3]:
        bench.donor(number, make="Borsund")
    bench.drain()
    bench.workshop.refresh_from_db()
    asked = bench.workshop.patterns_due
    assert asked is not None
    dispatcher.sweep(now=timezone.now())
    bench.workshop.refresh_from_db()
    assert bench.workshop.patterns_due is None


def test_counting_asks_the_same_queries_however_many_makes(bench: Bench) -> None:
    def count() -> int:
        with CaptureQueriesContext(connection) as seen:
            assert pattern_guesses.guess_anew(bench.workshop.pk) == []
        return len(seen)

    before = count()
    for letter in "ABCDEF":
        donor_services.save_make(workshop=bench.workshop, name=f"Ostrelle {letter}")
    assert count() == before


def test_the_guess_settles_and_nothing_goes_round(bench: Bench) -> None:
    make = make_known(bench, NUMBERS)
    assert not OutboxEvent.of(bench.workshop).filter(done_at__isnull=True).exists()
    assert pattern_guesses.guess_anew(bench.workshop.pk) == []
    make.refresh_from_db()
    assert make.guessed_from >= len(NUMBERS)


def test_past_fittings_are_read_again_when_a_pattern_comes(bench: Bench) -> None:
    past = Outcome(
        workshop=bench.workshop, kind_id="control-board", fitted_on=TODAY, result="worked",
        donor_make="Borsund", donor_model_number="KB 888-1 S", job_make="Borsund",
        job_model_number="KB 640-1 W", fingerprint="x", learned={},
    )  # fmt: skip
    keyed(past).save()
    assert past.donor_group == ""
    make_known(bench, NUMBERS)
    past.refresh_from_db()
    assert past.donor_group == "Borsund|KB"
    assert past.learned["job"]["family"] == "KB"
    assert past.donor_model_number == "KB 888-1 S"  # what was stated stays


def test_what_a_person_was_sure_of_is_left(bench: Bench) -> None:
    sure = {"appliance": "washing-machine", "make": "Borsund", "number": "X1", "fields": {},
            "family": "mine", "sure": 1.0}  # fmt: skip
    past = Outcome(
        workshop=bench.workshop, kind_id="control-board", fitted_on=TODAY, result="worked",
        donor_make="Borsund", donor_model_number="KB 888-1 S", fingerprint="x",
        learned={"donor": sure},
    )  # fmt: skip
    keyed(past).save()
    make_known(bench, NUMBERS)
    past.refresh_from_db()
    assert past.learned["donor"] == sure


def test_one_workshop_s_guess_is_not_the_other_s(bench: Bench, other_bench: Bench) -> None:
    make_known(bench, NUMBERS)
    assert not Make.of(other_bench.workshop).get(name="Borsund").guessed_pattern
    assert not Alert.of(other_bench.workshop).exists()
