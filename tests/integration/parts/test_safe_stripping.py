"""What keeps people safe counts on record alone: discharge, and work for licensed people.

Practice 5.4, 5.5 and 12 (common practice): a capacitor is dead once measured; what carries
refrigerant is for certified people. Local codes decide.
"""

from typing import Any

import pytest

from donors.models import Donor
from matching import fittings, holds, parting, strip_planning
from matching.models import Outcome
from matching.services import NeedFacts
from parts import services, strip_steps, stripping
from parts.models import BenchTest, Part, StepRecord
from parts.services import Sale
from parts.strip_steps import StepFacts
from parts.stripping import Came, PartReport, StepReport
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused

pytestmark = pytest.mark.django_db


def finish(bench: Bench, donor: Donor, step: str, *parts: PartReport, **said: Any) -> StepRecord:
    return stripping.finish_step(
        workshop=bench.workshop,
        donor_ref=donor.ref,
        step=step,
        member=bench.technician,
        now=NOW,
        report=StepReport(parts=parts, **said),
    )


def reopen(donor: Donor, step: str) -> None:
    stripping.reopen_step(workshop=donor.workshop, donor_ref=donor.ref, step=step)


def remove(bench: Bench, donor: Donor, kind: str) -> Part:
    ref = bench.part(donor, kind).ref
    return services.remove_part(workshop=bench.workshop, ref=ref, removed_on=TODAY)


def past_and_open(bench: Bench, donor: Donor) -> tuple[set[str], set[str]]:
    found = strip_planning.plan_donor(bench.workshop, donor.ref, on=TODAY)
    lines = {line.step.slug for line in (*found.lines, *found.others)}
    return {one.step.slug for one in found.past}, lines


@pytest.fixture
def oven(bench: Bench) -> Donor:
    return bench.donor(appliance="microwave", model="M-1")


class TestDischarge:
    def test_a_part_that_is_out_does_not_say_that_it_was_proved_dead(
        self, bench: Bench, oven: Donor
    ) -> None:
        remove(bench, oven, "magnetron")
        past, to_do = past_and_open(bench, oven)
        assert past == {"cover-off"}
        assert "discharge" in to_do
        capacitor = PartReport(bench.part(oven, "hv-capacitor").ref)
        with pytest.raises(Conflict, match="Discharge the capacitor and prove it dead"):
            finish(bench, oven, "capacitor-diode-out", capacitor)
        finish(bench, oven, "discharge")
        finish(bench, oven, "capacitor-diode-out", capacitor)

    def test_ticked_by_mistake_it_is_open_again_and_holds_back_what_follows(
        self, bench: Bench, oven: Donor
    ) -> None:
        finish(bench, oven, "cover-off")
        finish(bench, oven, "discharge")
        remove(bench, oven, "magnetron")
        reopen(oven, "discharge")
        past, to_do = past_and_open(bench, oven)
        assert ("discharge" in past, "discharge" in to_do) == (False, True)
        with pytest.raises(Conflict, match="prove it dead"):
            finish(bench, oven, "lamp-out")

    def test_it_is_not_opened_again_while_a_step_on_record_rests_on_it(
        self, bench: Bench, oven: Donor
    ) -> None:
        for step in ("cover-off", "discharge", "lamp-out"):
            finish(bench, oven, step)
        for step in ("discharge", "cover-off"):
            with pytest.raises(Conflict, match="“Lamp out” was done after this step"):
                reopen(oven, step)
        for step in ("lamp-out", "discharge", "cover-off"):
            reopen(oven, step)
        assert not StepRecord.of(bench.workshop).exists()

    def test_an_own_step_asks_for_it_too(self, bench: Bench, oven: Donor) -> None:
        facts = StepFacts(name="Capacitor from below", minutes=1, takes=["hv-capacitor"])
        step = strip_steps.add_step(workshop=bench.workshop, appliance="microwave", facts=facts)
        assert step.needs == (frozenset({"discharge"}),)
        with pytest.raises(Conflict, match="prove it dead"):
            finish(bench, oven, step.slug)


# Neither is laid at intake: the workshop writes it down when it finds one.
SEALED = [
    ("fridge-freezer", "compressor", "compressor-out"),
    ("tumble-dryer", "heat-pump-module", "heat-pump-out"),
]


def sealed(bench: Bench, appliance: str, kind: str) -> Part:
    donor = bench.donor(appliance=appliance, model="S-1")
    part: Part = donor.parts.order_by("id").first()
    Part.of(bench.workshop).filter(pk=part.pk).update(kind=kind, position="")
    part.refresh_from_db()
    services.record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict.GOOD,
        method="ran in the machine",
        tested_on=TODAY,
        tested_by=None,
    )
    return part


def state_of(part: Part) -> str:
    part.refresh_from_db()
    return part.state


class TestLicensedParts:
    @pytest.mark.parametrize(("appliance", "kind", "step"), SEALED)
    def test_taking_it_out_by_hand_or_selling_it_from_the_machine_is_refused(
        self, bench: Bench, appliance: str, kind: str, step: str
    ) -> None:
        part = sealed(bench, appliance, kind)
        sale = Sale(price_cents=5000, sold_on=TODAY)
        for refused in (
            lambda: services.remove_part(workshop=bench.workshop, ref=part.ref, removed_on=TODAY),
            lambda: parting.sell_part(workshop=bench.workshop, ref=part.ref, sale=sale, now=NOW),
        ):
            with pytest.raises(Conflict, match="Tick that step on the strip page of donor"):
                refused()
            assert state_of(part) == Part.State.IN_MACHINE

    @pytest.mark.parametrize("result", [Outcome.Result.WORKED, Outcome.Result.FAILED])
    def test_reporting_it_fitted_from_the_machine_is_refused(
        self, bench: Bench, result: Outcome.Result
    ) -> None:
        part = sealed(bench, "fridge-freezer", "compressor")
        job = bench.job(appliance="fridge-freezer", needs=[NeedFacts(kind="compressor")])
        hold = holds.hold_part(
            workshop=bench.workshop,
            part_ref=part.ref,
            need_id=job.needs.get().pk,
            member=bench.technician,
            now=NOW,
        )
        report = fittings.Report(result, TODAY)
        with pytest.raises(Conflict, match="needs a certificate for refrigerant"):
            fittings.report_fitting(
                workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW
            )
        assert state_of(part) == Part.State.IN_MACHINE

    def test_the_step_with_its_certificate_takes_it_out(self, bench: Bench) -> None:
        part = sealed(bench, "fridge-freezer", "compressor")
        steps = {
            one.slug: one for one in strip_steps.list_steps(bench.workshop.pk, "fridge-freezer")
        }

        def do(slug: str, *parts: PartReport, **said: Any) -> StepRecord:
            for group in steps[slug].needs:
                first = min(group)
                if not StepRecord.of(bench.workshop).filter(step=first).exists():
                    do(first)
            if steps[slug].two_persons:
                said["second_person"] = bench.members["owner"].pk
            return finish(bench, part.donor, slug, *parts, **said)

        left_in = PartReport(part.ref, came=Came.LEFT)
        do("compressor-out", left_in, certificate=bench.certificate().pk)
        assert state_of(part) == Part.State.IN_MACHINE
        services.remove_part(workshop=bench.workshop, ref=part.ref, removed_on=TODAY)
        assert state_of(part) == Part.State.REMOVED

    def test_one_not_found_may_be_scrapped_and_one_that_is_out_is_sold(self, bench: Bench) -> None:
        part = sealed(bench, "tumble-dryer", "heat-pump-module")
        Part.of(bench.workshop).filter(pk=part.pk).update(state="removed", removed_on=TODAY)
        past, to_do = past_and_open(bench, part.donor)
        assert ("heat-pump-out" in past, "heat-pump-out" in to_do) == (False, True)
        sale = Sale(price_cents=5000, sold_on=TODAY)
        parting.sell_part(workshop=bench.workshop, ref=part.ref, sale=sale, now=NOW)
        other = sealed(bench, "tumble-dryer", "heat-pump-module")
        services.scrap_part(workshop=bench.workshop, ref=other.ref, why="cut open", on=TODAY)
        assert state_of(other) == Part.State.SCRAPPED

    def test_an_own_step_asks_for_the_certificate_too(self, bench: Bench) -> None:
        part = sealed(bench, "tumble-dryer", "heat-pump-module")
        facts = StepFacts(name="Module up and out", minutes=9, takes=["heat-pump-module"])
        step = strip_steps.add_step(workshop=bench.workshop, appliance="tumble-dryer", facts=facts)
        assert step.licence == "refrigerant"
        with pytest.raises(Conflict, match="needs a certificate"):
            services.remove_part(workshop=bench.workshop, ref=part.ref, removed_on=TODAY)
        with pytest.raises(InputRefused, match="Name the member"):
            finish(bench, part.donor, step.slug, PartReport(part.ref))
        certificate = bench.certificate().pk
        record = finish(bench, part.donor, step.slug, PartReport(part.ref), certificate=certificate)
        assert (record.licence, state_of(part)) == ("refrigerant", Part.State.REMOVED)
