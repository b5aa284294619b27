"""Working through a donor: timers, steps ticked, parts out, certificates, and what is refused."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from donors.models import Donor
from parts import strip_steps, stripping
from parts.models import Part, StepRecord, StepSpan
from parts.strip_steps import StepFacts
from parts.stripping import Came, PartReport, StepReport
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused, NotFound

pytestmark = pytest.mark.django_db

Do = Callable[..., Any]


@pytest.fixture
def donor(bench: Bench) -> Donor:
    return bench.donor()


@pytest.fixture
def act(bench: Bench, donor: Donor) -> Do:
    """Call a service on the donor as the technician, `after` minutes from NOW."""

    def do(
        service: Do, step: str, *, after: float = 0, who: str = "technician", **more: Any
    ) -> Any:
        return service(
            workshop=bench.workshop,
            donor_ref=donor.ref,
            step=step,
            member=bench.members[who],
            now=NOW + timedelta(minutes=after),
            **more,
        )

    return do


@pytest.fixture
def finish(act: Do) -> Do:
    def do(step: str, *parts: PartReport, after: float = 0, who: str = "technician", **said: Any):
        report = StepReport(parts=parts, **said)
        return act(stripping.finish_step, step, after=after, who=who, report=report)

    return do


def part_of(donor: Donor, kind: str, position: str = "") -> Part:
    return donor.parts.get(kind=kind, position=position)


class TestTimers:
    def test_spans_add_up_and_survive_a_reload(self, act: Do, finish: Do, donor: Donor) -> None:
        act(stripping.start_step, "lid-off")
        act(stripping.stop_step, "lid-off", after=2)
        act(stripping.start_step, "lid-off", after=10)
        assert StepSpan.of(donor.workshop_id).filter(stopped_at=None).count() == 1
        record = finish("lid-off", after=11.5)
        assert record.minutes == pytest.approx(3.5)
        assert not StepSpan.of(donor.workshop_id).filter(stopped_at=None).exists()

    def test_starting_again_gives_the_timer_that_runs(self, act: Do) -> None:
        first = act(stripping.start_step, "lid-off")
        again = act(stripping.start_step, "lid-off", after=3)
        assert (again.pk, again.started_at) == (first.pk, NOW)

    def test_one_runs_per_member_and_donor(self, act: Do, bench: Bench) -> None:
        act(stripping.start_step, "lid-off")
        with pytest.raises(Conflict, match="Your timer runs on “Lid off” since"):
            act(stripping.start_step, "rear-cover-off", after=1)
        act(stripping.start_step, "rear-cover-off", after=1, who="owner")
        other = bench.donor("W7-60 R1 S")
        stripping.start_step(
            workshop=bench.workshop,
            donor_ref=other.ref,
            step="lid-off",
            member=bench.technician,
            now=NOW,
        )

    def test_two_people_at_one_step_take_its_time_once(self, act: Do, finish: Do) -> None:
        act(stripping.start_step, "lid-off")
        act(stripping.start_step, "lid-off", after=1, who="owner")
        assert finish("lid-off", after=4).timed_min == pytest.approx(4)

    def test_stopping_what_does_not_run_is_refused(self, act: Do) -> None:
        with pytest.raises(Conflict, match="No timer of yours"):
            act(stripping.stop_step, "lid-off")

    def test_a_forgotten_timer_asks_for_the_minutes(
        self, act: Do, finish: Do, donor: Donor
    ) -> None:
        act(stripping.start_step, "lid-off")
        with pytest.raises(InputRefused, match="forgotten") as refused:
            finish("lid-off", after=3 * 1440)
        assert "minutes" in refused.value.fields
        assert StepSpan.of(donor.workshop_id).filter(stopped_at=None).exists()  # nothing written
        record = finish("lid-off", after=3 * 1440, minutes=4)
        assert (record.minutes, record.timed_min) == (4, pytest.approx(3 * 1440))

    def test_minutes_are_corrected_afterwards_and_back(self, finish: Do, act: Do) -> None:
        act(stripping.start_step, "lid-off")
        record = finish("lid-off", after=600)
        asked = {"workshop": record.workshop, "donor_ref": record.donor.ref, "step": "lid-off"}
        assert stripping.correct_minutes(**asked, minutes=3.5).minutes == 3.5
        assert stripping.correct_minutes(**asked, minutes=None).minutes == pytest.approx(600)

    def test_a_timer_of_seconds_teaches_nothing(self, act: Do, finish: Do, donor: Donor) -> None:
        """Started and ticked at once, when the work was done already."""
        act(stripping.start_step, "lid-off")
        finish("lid-off", after=5)
        act(stripping.start_step, "rear-cover-off", after=6)
        finish("rear-cover-off", after=6.2)
        times = strip_steps.own_times(donor.workshop_id, "washing-machine")
        assert times == {"lid-off": [pytest.approx(5)]}

    @pytest.mark.parametrize("minutes", [0, -1, float("nan"), float("inf"), 1441])
    def test_minutes_that_cannot_be_are_refused(self, finish: Do, minutes: float) -> None:
        with pytest.raises(InputRefused) as refused:
            finish("lid-off", minutes=minutes)
        assert set(refused.value.fields) == {"minutes"}


class TestTicking:
    def test_a_part_is_taken_out_with_bin_and_number(self, finish: Do, donor: Donor) -> None:
        finish("lid-off")
        part = part_of(donor, "inlet-valve")
        finish("inlet-valve-out", PartReport(part.ref, bin="A-1", part_number="VAL 12"))
        part.refresh_from_db()
        assert (part.state, part.bin, part.part_number) == ("shelved", "A-1", "VAL 12")
        assert part.removed_on == TODAY
        donor.refresh_from_db()
        assert donor.state == Donor.State.STRIPPING

    def test_not_found_is_scrapped_with_its_reason_and_noted_on_the_donor(
        self, finish: Do, donor: Donor
    ) -> None:
        finish("rear-cover-off")
        heater, sensor = part_of(donor, "heater"), part_of(donor, "ntc-sensor")
        finish(
            "heater-out",
            PartReport(heater.ref, came=Came.BROKEN, reason="stud sheared"),
            PartReport(sensor.ref, came=Came.NOT_FOUND, reason="sits in the heater"),
            found="heater with a sensor inside",
        )
        heater.refresh_from_db(), sensor.refresh_from_db(), donor.refresh_from_db()
        assert (heater.state, sensor.state) == ("scrapped", "scrapped")
        assert heater.note == "Scrapped: broke while taken out: stud sheared."
        assert sensor.note == "Scrapped: was not in the machine: sits in the heater."
        assert (heater.removed_on, sensor.removed_on) == (TODAY, None)
        assert f"{TODAY}, Heater and its sensor out: heater with a sensor inside" in donor.note
        assert f"{sensor.ref} was not in the machine" in donor.note

    @pytest.mark.parametrize("reason", ["", "  "])
    def test_one_wrong_tap_scraps_nothing(self, finish: Do, donor: Donor, reason: str) -> None:
        finish("rear-cover-off")
        heater = part_of(donor, "heater")
        with pytest.raises(InputRefused, match="Say how") as refused:
            finish("heater-out", PartReport(heater.ref, came=Came.BROKEN, reason=reason))
        assert set(refused.value.fields) == {"parts"}
        heater.refresh_from_db()
        assert heater.state == Part.State.IN_MACHINE

    def test_a_part_left_in_stays_in(self, finish: Do, donor: Donor) -> None:
        finish("rear-cover-off")
        heater = part_of(donor, "heater")
        finish("heater-out", PartReport(heater.ref, came=Came.LEFT))
        heater.refresh_from_db()
        assert heater.state == Part.State.IN_MACHINE

    def test_all_or_nothing(self, finish: Do, donor: Donor, bench: Bench) -> None:
        """A part that cannot go where it is sent leaves the step open and every part in."""
        finish("rear-cover-off")
        heater, sensor = part_of(donor, "heater"), part_of(donor, "ntc-sensor")
        Part.of(bench.workshop).filter(pk=sensor.pk).update(kind="thermal-cutout")  # never reused
        step = strip_steps.add_step(
            workshop=bench.workshop,
            appliance="washing-machine",
            facts=StepFacts(name="All of it", minutes=1, takes=["heater"]),
        )
        from parts.models import WorkshopStep

        WorkshopStep.of(bench.workshop).update(takes=["heater", "thermal-cutout"])
        with pytest.raises(Conflict, match="never reused"):
            finish(step.slug, PartReport(heater.ref, bin="A-1"), PartReport(sensor.ref, bin="A-2"))
        heater.refresh_from_db()
        assert heater.state == Part.State.IN_MACHINE
        assert not StepRecord.of(bench.workshop).filter(step=step.slug).exists()

    def test_a_step_is_recorded_once(self, finish: Do, act: Do) -> None:
        finish("lid-off")
        with pytest.raises(Conflict, match="on record for this donor already"):
            finish("lid-off")
        with pytest.raises(Conflict, match="on record for this donor already"):
            act(stripping.start_step, "lid-off")

    def test_what_comes_before_has_to_be_done_first(self, finish: Do, act: Do) -> None:
        for service, more in (
            (stripping.start_step, {}),
            (stripping.finish_step, {"report": StepReport()}),
        ):
            with pytest.raises(
                Conflict, match=r"Before “Motor out” comes: Belt off; Lay .* or Rear"
            ):
                act(service, "motor-out", **more)
        finish("rear-cover-off")
        finish("belt-off")
        act(stripping.start_step, "motor-out")

    def test_a_part_that_is_out_says_that_its_access_was_opened(
        self, finish: Do, donor: Donor, bench: Bench
    ) -> None:
        from parts import services

        valve = part_of(donor, "inlet-valve")
        services.remove_part(workshop=bench.workshop, ref=valve.ref, removed_on=TODAY)
        finish("pressure-sensor-out")  # the lid is off: the valve came out through it

    def test_strange_parts_are_refused(self, finish: Do, donor: Donor, bench: Bench) -> None:
        finish("lid-off")
        for ref in (part_of(donor, "heater").ref, bench.part(bench.donor("K3-60 R1 W")).ref, "P-X"):
            with pytest.raises(InputRefused, match="takes out no part") as refused:
                finish("inlet-valve-out", PartReport(ref))
            assert "parts" in refused.value.fields
        valve = part_of(donor, "inlet-valve").ref
        with pytest.raises(InputRefused, match="named twice"):
            finish("inlet-valve-out", PartReport(valve), PartReport(valve))

    def test_an_unknown_step_and_another_workshops_donor_are_not_found(
        self, finish: Do, bench: Bench, other_bench: Bench
    ) -> None:
        with pytest.raises(NotFound):
            finish("fly-away")
        other_bench.donor("W7-60 R1 S")
        theirs = other_bench.donor("W7-60 R1 W")
        with pytest.raises(NotFound):
            stripping.start_step(
                workshop=bench.workshop,
                donor_ref=theirs.ref,
                step="lid-off",
                member=bench.technician,
                now=NOW,
            )


class TestBuiltOtherwise:
    def test_not_needed_opens_what_lies_behind(self, act: Do, finish: Do, donor: Donor) -> None:
        act(stripping.leave_out_step, "lid-off", came=StepRecord.Came.NOT_NEEDED, found="glass top")
        finish("pressure-sensor-out")
        donor.refresh_from_db()
        assert f"{TODAY}, Lid off: not needed on this machine: glass top" in donor.note

    def test_what_keeps_people_safe_is_never_left_out(self, bench: Bench) -> None:
        oven = bench.donor(appliance="microwave", model="M-1")
        asked = {
            "workshop": bench.workshop,
            "donor_ref": oven.ref,
            "member": bench.technician,
            "now": NOW,
        }
        with pytest.raises(Conflict, match="keeps people safe"):
            stripping.leave_out_step(**asked, step="discharge", came=StepRecord.Came.NOT_NEEDED)
        with pytest.raises(Conflict, match="Discharge the capacitor and prove it dead"):
            stripping.start_step(**asked, step="magnetron-out")

    def test_a_step_with_parts_is_ticked_or_not_there(self, act: Do) -> None:
        with pytest.raises(Conflict, match="takes parts out"):
            act(stripping.leave_out_step, "motor-out", came=StepRecord.Came.NOT_NEEDED)
        act(stripping.leave_out_step, "motor-out", came=StepRecord.Came.NOT_HERE)

    def test_ticked_by_mistake(self, finish: Do, act: Do, donor: Donor) -> None:
        act(stripping.start_step, "lid-off")
        finish("lid-off", after=2)
        stripping.reopen_step(workshop=donor.workshop, donor_ref=donor.ref, step="lid-off")
        assert not StepRecord.of(donor.workshop_id).exists()
        assert not StepSpan.of(donor.workshop_id).exists()
        finish("lid-off")
        with pytest.raises(NotFound):
            stripping.reopen_step(workshop=donor.workshop, donor_ref=donor.ref, step="belt-off")


class TestTwoPersonsAndLicences:
    def test_the_second_person_is_named_first(self, finish: Do, bench: Bench) -> None:
        finish("drain-at-filter")
        me, helper = bench.technician, bench.members["cataloguer"]
        for second, why in (
            (None, "takes two persons. Name the second one"),
            (me.pk, "somebody else than you"),
            (10**6, "no active member"),
        ):
            with pytest.raises(InputRefused, match=why) as refused:
                finish("lay-down", second_person=second)
            assert set(refused.value.fields) == {"second_person"}
        helper.active = False
        helper.save()
        with pytest.raises(InputRefused, match="no active member"):
            finish("lay-down", second_person=helper.pk)
        record = finish("lay-down", second_person=bench.members["owner"].pk)
        assert record.second_person == bench.members["owner"]

    def test_a_helper_of_another_workshop_is_nobody(self, finish: Do, other_bench: Bench) -> None:
        finish("drain-at-filter")
        with pytest.raises(InputRefused, match="no active member"):
            finish("lay-down", second_person=other_bench.technician.pk)

    def test_a_licensed_step_names_who_holds_a_valid_certificate(
        self, bench: Bench, other_bench: Bench, finish: Do
    ) -> None:
        step = strip_steps.add_step(
            workshop=bench.workshop,
            appliance="washing-machine",
            facts=StepFacts(name="Heat pump out", minutes=20, licence="refrigerant"),
        ).slug
        yesterday = TODAY - timedelta(days=1)
        expired = bench.certificate(number="OLD", valid_until=yesterday)
        gas = bench.certificate(kind="gas", number="G")
        theirs = other_bench.certificate()
        left = bench.certificate(member_id=bench.members["cataloguer"].pk, number="LEFT")
        left.member.active = False
        left.member.save()
        for certificate, why in (
            (None, "needs a certificate for refrigerant handling. Name the member"),
            (expired.pk, f"certificate OLD of millrace-owner expired on {yesterday}"),
            (gas.pk, "is not a certificate for refrigerant handling"),
            (theirs.pk, "no such certificate"),
            (left.pk, "no longer works here"),
        ):
            with pytest.raises(InputRefused, match=why) as refused:
                finish(step, certificate=certificate)
            assert set(refused.value.fields) == {"certificate"}
        assert not StepRecord.of(bench.workshop).exists()
        good = bench.certificate(number="NEW", valid_until=TODAY)
        record = finish(step, certificate=good.pk)
        assert (record.certificate, record.certificate_until) == (good, TODAY)


class TestLearnedMinutes:
    def test_own_times_move_the_minutes_and_are_counted(self, bench: Bench) -> None:
        """Eight donors at twice the guess, one forgotten timer among them."""
        for number in range(8):
            donor = bench.donor()
            asked = {
                "workshop": bench.workshop,
                "donor_ref": donor.ref,
                "step": "lid-off",
                "member": bench.technician,
            }
            stripping.start_step(**asked, now=NOW)
            took = 700 if number == 3 else 6
            stripping.finish_step(**asked, now=NOW + timedelta(minutes=took), report=StepReport())
        found = strip_steps.get_step(bench.workshop.pk, "washing-machine", "lid-off").time
        assert (found.guess_min, found.count) == (3, 8)
        assert 4.2 < found.minutes < 6
        other = strip_steps.get_step(bench.workshop.pk, "washing-machine", "rear-cover-off").time
        assert (other.minutes, other.count) == (3, 0)

    def test_another_workshops_times_teach_nothing(self, bench: Bench, other_bench: Bench) -> None:
        other_bench.licensed_record(other_bench.donor())
        stripping.finish_step(
            workshop=other_bench.workshop,
            donor_ref=other_bench.donor().ref,
            step="lid-off",
            member=other_bench.technician,
            now=NOW,
            report=StepReport(minutes=30),
        )
        steps = strip_steps.list_steps(bench.workshop.pk, "washing-machine")
        assert {step.time.count for step in steps} == {0}
        assert not any(step.own for step in steps)


class TestOwnSteps:
    def test_own_minutes_and_back(self, bench: Bench) -> None:
        asked = {"workshop": bench.workshop, "appliance": "washing-machine", "slug": "lid-off"}
        assert strip_steps.set_minutes(**asked, minutes=5).time.guess_min == 5
        assert strip_steps.set_minutes(**asked, minutes=7).time.guess_min == 7
        assert strip_steps.set_minutes(**asked, minutes=None).time.guess_min == 3

    def test_an_own_step_says_what_is_wrong_with_it_by_field(self, bench: Bench) -> None:
        bad = StepFacts(
            name="!!",
            minutes=1,
            needs=[["fly-away"]],
            takes=["suction-motor", "counterweight/left"],
            tool_class="golden",
            licence="juggling",
        )
        with pytest.raises(InputRefused) as refused:
            strip_steps.add_step(workshop=bench.workshop, appliance="washing-machine", facts=bad)
        assert set(refused.value.fields) == {"name", "needs", "takes", "tool_class", "licence"}
        for minutes in (-1, float("nan"), 1441):
            with pytest.raises(InputRefused) as refused:
                strip_steps.add_step(
                    workshop=bench.workshop,
                    appliance="washing-machine",
                    facts=StepFacts(name="Foot off", minutes=minutes),
                )
            assert set(refused.value.fields) == {"minutes"}

    def test_a_name_is_used_once(self, bench: Bench) -> None:
        facts = StepFacts(name="Lid off", minutes=1)
        with pytest.raises(Conflict, match="already"):
            strip_steps.add_step(workshop=bench.workshop, appliance="washing-machine", facts=facts)
        with pytest.raises(NotFound):
            strip_steps.add_step(workshop=bench.workshop, appliance="toaster", facts=facts)
