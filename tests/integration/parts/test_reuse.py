"""Kinds never reused, and those reused with caution (practice.md 12; common practice)."""

import pytest

from matching import fittings, holds, parting
from matching.fittings import Report
from matching.models import Outcome
from parts import services
from parts.models import BenchTest, Part, PartKind
from parts.services import PartFacts, Sale
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused

pytestmark = pytest.mark.django_db

SALE = Sale(price_cents=1500, sold_on=TODAY)
NEVER = ["thermal-cutout", "interlock-switch", "waveguide-cover", "fill-hose", "air-filter"]


def sell(bench: Bench, ref: str) -> Part:
    return parting.sell_part(workshop=bench.workshop, ref=ref, sale=SALE, now=NOW)


def on_bench(bench: Bench, part: Part, verdict: str) -> None:
    services.record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict(verdict),
        method="on the bench",
        tested_on=TODAY,
        tested_by=None,
    )


@pytest.mark.parametrize("kind", NEVER)
def test_what_is_never_reused_is_not_shelved_held_or_sold(bench: Bench, kind: str) -> None:
    """By every door, even when the row is there and a test says good."""
    assert PartKind.objects.get(slug=kind).reuse == "never"
    part = bench.part(bench.donor(), "drain-pump")
    need = bench.need(kind="drain-pump")
    Part.of(bench.workshop).filter(pk=part.pk).update(kind=kind)
    type(need).of(bench.workshop).filter(pk=need.pk).update(kind=kind)
    on_bench(bench, part, "good")
    with pytest.raises(Conflict, match="never reused"):
        holds.hold_part(
            workshop=bench.workshop,
            part_ref=part.ref,
            need_id=need.pk,
            member=bench.technician,
            now=NOW,
        )
    with pytest.raises(Conflict, match="never reused"):
        sell(bench, part.ref)
    with pytest.raises(Conflict, match="never reused"):
        services.remove_part(
            workshop=bench.workshop, ref=part.ref, removed_on=TODAY, facts=PartFacts(bin="A1")
        )
    services.remove_part(workshop=bench.workshop, ref=part.ref, removed_on=TODAY)
    with pytest.raises(Conflict, match="never reused"):
        services.describe_part(workshop=bench.workshop, ref=part.ref, facts=PartFacts(bin="A1"))
    with pytest.raises(InputRefused, match="never reused"):
        services.add_loose_part(
            workshop=bench.workshop, kind=kind, facts=PartFacts(), received_on=TODAY
        )
    part.refresh_from_db()
    assert (part.state, part.bin) == ("removed", "")


def test_with_caution_needs_its_test_before_it_is_sold(bench: Bench) -> None:
    lock = bench.part(bench.donor(), "door-lock")
    assert lock.kind.reuse == "caution"
    with pytest.raises(Conflict) as refused:
        sell(bench, lock.ref)
    assert lock.kind.min_test in refused.value.message
    on_bench(bench, lock, "not-measured")
    with pytest.raises(Conflict):
        sell(bench, lock.ref)
    on_bench(bench, lock, "good")
    sold = sell(bench, lock.ref)
    assert (sold.state, sold.price_cents, sold.gone_on) == ("sold", 1500, TODAY)
    assert sold.removed_on == TODAY
    with pytest.raises(Conflict):
        sell(bench, lock.ref)


def test_a_good_kind_is_sold_untested(bench: Bench) -> None:
    assert sell(bench, bench.part(bench.donor(), "drain-pump").ref).state == "sold"


def test_with_caution_needs_its_test_before_it_works_in_a_machine(bench: Bench) -> None:
    need = bench.need(kind="door-lock")
    lock = bench.part(bench.donor(), "door-lock")
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=lock.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    worked = Report(Outcome.Result.WORKED, TODAY)

    def report() -> Outcome:
        return fittings.report_fitting(
            workshop=bench.workshop, hold_id=hold.pk, report=worked, now=NOW
        )

    with pytest.raises(Conflict, match="with caution"):
        report()
    hold.refresh_from_db()
    assert hold.released_at is None  # nothing half done
    on_bench(bench, lock, "worn")
    assert report().result == "worked"


def test_a_part_held_for_a_job_is_not_sold_until_the_hold_is_over(bench: Bench) -> None:
    need = bench.need("W7-60 R1 W")
    part = bench.part(bench.donor("W7-60 R1 W"))
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    with pytest.raises(Conflict, match=need.job.ref):
        sell(bench, part.ref)
    sold = parting.sell_part(workshop=bench.workshop, ref=part.ref, sale=SALE, now=hold.expires_at)
    assert sold.state == "sold"


def test_nothing_of_a_machine_that_burnt_is_kept_whatever_it_measures(bench: Bench) -> None:
    need = bench.need("W7-60 R1 W", kind="drain-pump")
    part = bench.part(bench.donor("W7-60 R1 W", cause="fire-smoke"), "drain-pump")
    assert part.donor is not None
    assert part.donor.cause.spoils_parts
    on_bench(bench, part, "good")
    with pytest.raises(Conflict, match="fire"):
        sell(bench, part.ref)
    with pytest.raises(Conflict, match="fire"):
        holds.hold_part(
            workshop=bench.workshop,
            part_ref=part.ref,
            need_id=need.pk,
            member=bench.technician,
            now=NOW,
        )
    with pytest.raises(Conflict, match="fire"):
        services.remove_part(
            workshop=bench.workshop, ref=part.ref, removed_on=TODAY, facts=PartFacts(bin="A1")
        )
