"""A report taken back while a corrected plate has its fitting stated anew stays taken back."""

import pytest
from django.utils import timezone

from donors.models import Donor
from matching import fittings, holds
from matching.models import Outcome
from tests.factories import TODAY, make_bench
from tests.integration.races.conftest import Race

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.xdist_group("races"),
    pytest.mark.usefixtures("two_writers"),
]


def fitted_in_a_corrected_machine() -> None:
    bench = make_bench("millrace")
    part, need = bench.part(bench.donor("W7-60 R1 W")), bench.need()
    act = {"workshop": bench.workshop, "now": timezone.now()}
    hold = holds.hold_part(part_ref=part.ref, need_id=need.pk, member=bench.technician, **act)
    report = fittings.Report(Outcome.Result.WORKED, TODAY)
    fittings.report_fitting(hold_id=hold.pk, report=report, **act)
    Donor.of(bench.workshop).update(model_number="W7-80 R1 W")


def left_over(race: Race, **how: bool) -> int:
    fitted_in_a_corrected_machine()
    sides = ("state anew", "take back")
    done = race([{"task": "restate", "side": side, **how} for side in sides])
    assert [one["done"] for one in done] == [1, 1]
    return Outcome.objects.unscoped().count()


def test_what_is_taken_back_meanwhile_stays_gone(race: Race) -> None:
    assert left_over(race) == 0


def test_control_whole_rows_without_a_lock_bring_it_back(race: Race) -> None:
    assert left_over(race, naive=True) == 1
