"""The main job: a machine comes in, its parts are matched to waiting jobs, people are told."""

from datetime import UTC, date, datetime
from functools import partial

import pytest
from django.core.management import call_command
from django.utils import timezone

from matching.models import Alert, Match
from parts.models import Part, Sighting
from tests.factories import NOW, TODAY, Bench
from workshop import dispatcher, outbox
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db


def test_a_donor_that_comes_in_alerts_the_job_that_waits(bench: Bench) -> None:
    need = bench.need("W7-60 R1 W")
    bench.drain()
    donor = bench.donor("W7-60 R1 S", cause="bearing-drum")
    assert not Alert.of(bench.workshop).exists()  # never inside the request
    bench.drain()
    alert = Alert.of(bench.workshop).get()
    assert alert.recipient == bench.technician
    assert (alert.need, alert.arrival) == (need, donor.arrival)
    assert need.job.ref in alert.summary
    assert "not stripped yet" in alert.summary
    assert sum(row["bits"] for row in alert.reasons) == pytest.approx(
        Match.of(bench.workshop).get(need=need).score_bits
    )


def test_a_need_opened_later_finds_the_donor_that_stands_there(bench: Bench) -> None:
    donor = bench.donor("W7-60 R1 W")
    bench.drain()
    need = bench.need("W7-60 R1 W")
    bench.drain()
    match = Match.of(bench.workshop).filter(need=need).first()
    assert match is not None
    assert match.part.donor == donor
    assert Alert.of(bench.workshop).get().need == need


def test_other_family_is_not_told(bench: Bench) -> None:
    bench.need("K3-60 R1 W")
    bench.donor("W7-60 R1 W")
    bench.drain()
    assert not Alert.of(bench.workshop).exists()


def test_parts_of_another_appliance_are_never_offered(bench: Bench) -> None:
    bench.need("W7-60 R1 W", part_number="BRD-100")
    dryer = bench.donor("W7-60 R1 W", appliance="tumble-dryer")
    bench.drain()
    assert not Match.of(bench.workshop).filter(part__donor=dryer).exists()


def test_nothing_is_told_twice_however_often_an_event_is_handled(bench: Bench) -> None:
    bench.need("W7-60 R1 W")
    bench.donor("W7-60 R1 W")
    for _ in range(3):
        bench.drain()
        OutboxEvent.of(bench.workshop).update(done_at=None)
    bench.drain()
    assert Alert.of(bench.workshop).count() == 1


def test_an_edit_of_the_donor_does_not_tell_again(bench: Bench) -> None:
    bench.need("W7-60 R1 W")
    donor = bench.donor("W7-60 R1 W")
    bench.drain()
    part = bench.part(donor)
    from parts.services import PartFacts, describe_part

    describe_part(workshop=bench.workshop, ref=part.ref, facts=PartFacts(note="seen again"))
    bench.drain()
    assert Alert.of(bench.workshop).count() == 1


def test_the_job_s_own_technician_is_told_and_nobody_else(bench: Bench) -> None:
    bench.need("W7-60 R1 W", technician=bench.members["owner"])
    bench.donor("W7-60 R1 W")
    bench.drain()
    assert [a.recipient for a in Alert.of(bench.workshop)] == [bench.members["owner"]]


def test_a_part_that_fails_its_test_is_no_longer_offered(bench: Bench) -> None:
    from parts.models import BenchTest
    from parts.services import record_bench_test

    bench.need("W7-60 R1 W")
    donor = bench.donor("W7-60 R1 W")
    bench.drain()
    part = bench.part(donor)
    assert Match.of(bench.workshop).filter(part=part).exists()
    record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict.FAILED,
        method="no standby voltage",
        tested_on=NOW.date(),
        tested_by=bench.technician,
    )
    bench.drain()
    assert not Match.of(bench.workshop).filter(part=part).exists()


def test_a_hold_does_not_outlive_its_part(bench: Bench) -> None:
    from matching import holds
    from parts.services import take_from_stock

    need = bench.need("W7-60 R1 W")
    part = bench.part(bench.donor("W7-60 R1 W"))
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    take_from_stock(workshop=bench.workshop, ref=part.ref, state=Part.State.SOLD, on=TODAY)
    bench.drain()
    hold.refresh_from_db()
    assert hold.ended == "gone"


def test_a_donor_is_being_stripped_until_its_last_part_is_out(bench: Bench) -> None:
    from parts.services import remove_part

    donor = bench.donor()
    refs = list(donor.parts.order_by("id").values_list("ref", flat=True))
    for number, ref in enumerate(refs, start=1):
        remove_part(workshop=bench.workshop, ref=ref, removed_on=TODAY)
        donor.refresh_from_db()
        assert donor.state == ("stripped" if number == len(refs) else "stripping")


def test_a_machine_cannot_be_confirmed_as_another_appliance(bench: Bench) -> None:
    from parts.services import confirm_donor_model
    from workshop.errors import Conflict

    donor = bench.donor("W7-6O R1 W", appliance="dishwasher")
    model = bench.makes["Velthane"].numbers.get(canonical="W760R1W")
    with pytest.raises(Conflict, match="washing-machine"):
        confirm_donor_model(workshop=bench.workshop, ref=donor.ref, model_id=model.pk)


def test_a_make_whose_pattern_came_later_is_read_again(bench: Bench) -> None:
    from donors.services import save_make

    donor = bench.donor("Q123-7", make="")
    assert donor.make is None
    save_make(workshop=bench.workshop, name="Quillmar", pattern=r"^(?P<family>Q\d{3})(?P<size>\d)$")
    bench.drain()
    donor.refresh_from_db()
    assert (donor.make.name, donor.make_is_guess, donor.family) == ("Quillmar", True, "Q123")


def test_the_other_workshop_sees_nothing(bench: Bench, other_bench: Bench) -> None:
    other_bench.need("W7-60 R1 W")
    bench.donor("W7-60 R1 W")
    bench.drain()
    assert not Alert.objects.unscoped().exists()
    assert not Match.objects.unscoped().exists()


def test_the_donor_gets_its_parts_in_machine(bench: Bench) -> None:
    donor = bench.donor()
    states = set(donor.parts.values_list("state", flat=True))
    assert states == {Part.State.IN_MACHINE}
    assert {"control-board", "drain-pump", "door-lock"} <= set(
        donor.parts.values_list("kind_id", flat=True)
    )
    assert not donor.parts.filter(kind__reuse="never").exists()


def test_the_job_s_own_part_number_teaches_what_its_model_carries(bench: Bench) -> None:
    bench.need("W7-60 R1 W", part_number="BRD-100-01")
    sighting = Sighting.of(bench.workshop).get()
    assert (sighting.number_canonical, sighting.family) == ("BRD10001", "W7")


def test_a_poison_event_does_not_stop_the_rest_and_ends_as_a_dead_letter(bench: Bench) -> None:
    need = bench.need("W7-60 R1 W")
    from django.db import transaction

    with transaction.atomic():
        poison = outbox.record("matching.needs-opened", workshop_id=bench.workshop.pk, payload={})
    bench.donor("W7-60 R1 W")
    moment = timezone.now()
    for _ in range(dispatcher.MOST_ATTEMPTS):
        dispatcher.drain(
            now=partial(datetime.fromtimestamp, moment.timestamp(), UTC), most_rounds=3
        )
        poison.refresh_from_db()
        moment = max(moment, poison.available_at)
    assert Alert.of(bench.workshop).filter(need=need).count() == 1
    assert poison.dead_at is not None
    assert "KeyError" in poison.last_error
    poison.payload = {"need_ids": [need.pk]}
    poison.save()
    call_command("dispatch", retry_dead=True)
    poison.refresh_from_db()
    assert poison.done_at is not None


def test_an_event_recorded_outside_a_transaction_is_refused(bench: Bench) -> None:
    from django.db import connection

    class NoBlock:
        in_atomic_block = False

    original = outbox.transaction.get_connection
    outbox.transaction.get_connection = lambda: NoBlock()  # type: ignore[assignment]
    try:
        with pytest.raises(RuntimeError, match="outside a transaction"):
            outbox.record("x", workshop_id=bench.workshop.pk, payload={})
    finally:
        outbox.transaction.get_connection = original
    assert connection.in_atomic_block


def test_a_misread_plate_is_kept_and_its_candidate_shown(bench: Bench) -> None:
    from donors.selectors import candidates_for

    donor = bench.donor("W7-6O R1 W", make="")
    assert donor.model_number == "W7-6O R1 W"
    assert donor.recognised is None
    seen = candidates_for(donor)
    assert seen.candidates[0].model.number == "W7-60 R1 W"
    assert seen.make_is_guess
    assert seen.make == "Velthane"


def test_a_person_confirms_the_model_and_the_match_grows_surer(bench: Bench) -> None:
    from parts.services import confirm_donor_model

    need = bench.need("W7-60 R1 W", built_from=date(2018, 1, 1), built_to=date(2018, 1, 31))
    donor = bench.donor("W7-6O R1 W")
    bench.drain()
    before = Match.of(bench.workshop).get(need=need, part__donor=donor)
    model = bench.makes["Velthane"].numbers.get(canonical="W760R1W")
    confirm_donor_model(workshop=bench.workshop, ref=donor.ref, model_id=model.pk)
    bench.drain()
    after = Match.of(bench.workshop).get(need=need, part__donor=donor)
    donor.refresh_from_db()
    assert donor.model_number == "W7-6O R1 W"
    assert donor.confirmed
    assert after.p_fit > before.p_fit
