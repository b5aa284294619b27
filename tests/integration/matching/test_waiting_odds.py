"""Waiting odds through the database. Judges: scipy, hand counts, simulated arrivals."""

import random
from datetime import date, timedelta
from itertools import pairwise

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from scipy import stats

from donors.models import Donor
from matching import holds, keeping, parting
from matching.domain import waiting
from matching.domain.metrics import expected_calibration_error
from matching.keeping import Answer
from matching.models import Job, Need, Proposal
from matching.services import NeedFacts
from matching.waiting_odds import WINDOW_DAYS, Counting, Stocked, queue_position
from parts.models import Part
from parts.services import take_from_stock
from tests.factories import NOW, TODAY, Bench
from tests.unit.published import rows

pytestmark = pytest.mark.django_db
NONE = Stocked({})


def days_ago(days: int) -> date:
    return TODAY - timedelta(days=days)


def needs_of(bench: Bench, job: Job) -> list[Need]:
    return list(Need.of(bench.workshop).filter(job=job).select_related("job__make", "kind"))


def odds(bench: Bench, job: Job, stocked: Stocked = NONE, days: int = 30):
    return Counting(bench.workshop.pk, on=TODAY).odds(needs_of(bench, job), stocked, days=days)


def test_before_anything_came_in_the_prior_speaks(bench: Bench) -> None:
    """Judge: scipy's negative binomial on the stated prior Gamma(0.5, 70 days), half serve."""
    found = odds(bench, bench.job())
    assert (found.came, found.since) == (0, None)
    judge = stats.nbinom.sf(0, 0.5, 71 / (71 + 0.5 * 30))
    assert found.chance == pytest.approx(judge, abs=1e-9)
    assert "believed beforehand" in found.sentence


def test_machines_that_could_have_served_are_counted_gone_or_not(bench: Bench) -> None:
    served = bench.donor("W7-60 R1 W", received_on=days_ago(200))
    bench.donor("W7-60 R1 S", received_on=days_ago(100))
    bench.donor("K3-60 R1 W", received_on=days_ago(50))  # another family
    bench.donor("W7-60 R1 W", received_on=days_ago(40), cause="fire-smoke")  # never sold
    part = bench.part(served)
    Part.of(bench.workshop).filter(pk=part.pk).update(state="removed")
    take_from_stock(workshop=bench.workshop, ref=part.ref, state=Part.State.FITTED, on=TODAY)
    Donor.of(bench.workshop).filter(pk=served.pk).update(state="gone")
    found = odds(bench, bench.job())
    assert (found.came, found.since, found.span_days) == (2, days_ago(200), 200)
    assert found.arrivals.shape == 2.5
    assert found.arrivals.days == 270
    assert 0 < found.arrivals.p_serves < 1


def test_each_counts_with_its_chance_of_fitting_and_of_being_good(bench: Bench) -> None:
    """Posterior of the mean by hand: (0.5 x 0.5 + sum of the chances) / (0.5 + machines)."""
    bench.donor("W7-60 R1 W", received_on=days_ago(100))
    counting = Counting(bench.workshop.pk, on=TODAY)
    needs = needs_of(bench, bench.job())
    [[chance]] = counting._by_donor(needs).values()
    found = counting.odds(needs, NONE, days=30)
    assert found.arrivals.p_serves == pytest.approx((0.25 + chance) / 1.5)
    assert found.chance == pytest.approx(
        stats.nbinom.sf(0, 1.5, 170 / (170 + found.arrivals.p_serves * 30)), abs=1e-9
    )


def test_nothing_older_than_the_window_counts(bench: Bench) -> None:
    bench.donor("W7-60 R1 W", received_on=days_ago(WINDOW_DAYS + 1))
    bench.donor("W7-60 R1 W", received_on=days_ago(WINDOW_DAYS))
    found = odds(bench, bench.job())
    assert (found.came, found.span_days) == (1, WINDOW_DAYS)


def test_several_parts_have_to_come_from_one_machine(bench: Bench) -> None:
    facts = [NeedFacts(kind="control-board"), NeedFacts(kind="drain-pump")]
    job = bench.job(needs=facts)
    bench.donor("W7-60 R1 W", received_on=days_ago(100))
    counting = Counting(bench.workshop.pk, on=TODAY)
    needs = needs_of(bench, job)
    [[board, pump]] = counting._by_donor(needs).values()
    both = counting.odds(needs, NONE, days=30)
    assert both.arrivals.p_serves == pytest.approx((0.25 + board * pump) / 1.5)
    one = counting.odds(needs, Stocked({needs[1].pk: 0.6}), days=30)
    assert one.lacking == (needs[0],)
    assert one.arrivals.p_serves == pytest.approx((0.25 + board * 0.6) / 1.5)


@pytest.mark.parametrize(("kind", "came"), [("control-board", 0), ("drain-pump", 1)])
def test_what_failed_in_a_job_did_not_come_in_with_its_machine(
    bench: Bench, kind: str, came: int
) -> None:
    """A kept machine brings all but the board it was given up for, even if that goes later."""
    job = bench.job()
    keeping.refuse_repair(
        workshop=bench.workshop,
        ref=job.ref,
        answer=Answer("yes", "owner", "signed", TODAY),
        member=bench.technician,
        now=NOW,
    )
    donor = keeping.keep_as_donor(
        workshop=bench.workshop, ref=job.ref, member=bench.technician, now=NOW
    )
    next_job = bench.job(kind=kind)
    assert odds(bench, next_job).came == came
    board = donor.parts.get(kind="control-board")
    parting.scrap_part(workshop=bench.workshop, ref=board.ref, why="dead", on=TODAY, was_bad=True)
    assert odds(bench, next_job).came == came
    Part.of(bench.workshop).filter(donor=donor).update(grade="untested", was_bad=False)
    assert odds(bench, next_job).came == 1


class TestQueue:
    def position(self, bench: Bench, need: Need) -> int:
        need = Need.of(bench.workshop).select_related("job").get(pk=need.pk)
        return queue_position(bench.workshop.pk, [need])[need.pk]

    def test_who_was_there_before_for_the_same_parts_comes_first(self, bench: Bench) -> None:
        first = bench.need(opened_on=days_ago(9))
        second = bench.need("W7-60 R1 S", opened_on=days_ago(8))
        bench.need("K3-60 R1 W", opened_on=days_ago(9))  # another family
        bench.need(kind="drain-pump", opened_on=days_ago(9))  # another part
        third = bench.need()
        assert [self.position(bench, one) for one in (first, second, third)] == [0, 1, 2]

    def test_the_more_urgent_comes_first_however_late_it_came(self, bench: Bench) -> None:
        waits = bench.need(opened_on=days_ago(9))
        urgent = bench.need(opened_on=days_ago(1))
        values = {"urgency": 1, "urgency_why": "x", "urgency_by": bench.technician}
        Job.of(bench.workshop).filter(pk=urgent.job_id).update(urgency_at=NOW, **values)
        assert [self.position(bench, one) for one in (waits, urgent)] == [1, 0]

    def test_the_number_on_the_old_part_tells_too(self, bench: Bench) -> None:
        bench.need("K3-60 R1 W", part_number="BRD-1", opened_on=days_ago(3))
        assert self.position(bench, bench.need(part_number="BRD 1")) == 1

    def test_who_is_promised_a_part_or_closed_waits_for_none(self, bench: Bench) -> None:
        first, second = bench.need(opened_on=days_ago(9)), bench.need(opened_on=days_ago(8))
        part = bench.part(bench.donor())
        last = bench.need()
        assert self.position(bench, last) == 2
        holds.hold_part(
            workshop=bench.workshop,
            part_ref=part.ref,
            need_id=first.pk,
            member=bench.technician,
            now=NOW,
        )
        assert self.position(bench, last) == 1
        Job.of(bench.workshop).filter(pk=second.job_id).update(state="refused")
        assert self.position(bench, last) == 0

    def test_who_is_proposed_a_part_waits_for_none_until_it_lapses(self, bench: Bench) -> None:
        first, last = bench.need(opened_on=days_ago(9)), bench.need()
        assert self.position(bench, last) == 1
        proposal = bench.proposal(bench.part(bench.donor()), first)
        assert self.position(bench, last) == 0
        proposal.state, proposal.ended_at = Proposal.State.LAPSED, NOW
        proposal.save()
        assert self.position(bench, last) == 1

    def test_each_ahead_takes_one(self, bench: Bench) -> None:
        """Judge: scipy's negative binomial, more than one of them."""
        bench.donor("W7-60 R1 W", received_on=days_ago(100))
        bench.need(opened_on=days_ago(5))
        found = odds(bench, bench.job())
        success = found.arrivals.days / (found.arrivals.days + found.arrivals.p_serves * 30)
        judge = stats.nbinom.sf(1, found.arrivals.shape, success)
        assert (found.ahead, found.chance) == (1, pytest.approx(judge, abs=1e-9))
        assert "one job comes first" in found.sentence


@pytest.mark.parametrize("row", rows("gamma_posterior"))
def test_published_posteriors_are_what_the_curve_rests_on(row) -> None:
    """Gelman and others 2.6, NIST/SEMATECH 8.4.6 (check_values.json, gamma_posterior)."""
    shape, span, events, exposure, shape_after, span_after = row
    found = waiting.Arrivals.counted(
        [1.0] * events, span_days=exposure, prior=waiting.Prior(shape, span, 1)
    )
    assert (found.shape, found.days) == (shape_after, span_after)


def test_the_curve_runs_by_day_with_its_band(bench: Bench) -> None:
    bench.donor("W7-60 R1 W", received_on=days_ago(100))
    found = odds(bench, bench.job())
    curve = found.curve()
    assert [one.days for one in curve] == list(range(61))
    assert curve[0].chance == 0
    assert curve[30].chance == pytest.approx(found.chance)
    assert all(one.low <= one.chance <= one.high for one in curve[1:])
    assert all(a.chance < b.chance for a, b in pairwise(curve))
    median = found.median_days
    assert median is not None
    at_median = waiting.chance(found.arrivals, days=median, ahead=found.ahead)
    assert at_median == pytest.approx(0.5, abs=1e-6)


MOST_CAME, SPAN = 10, 400


def test_simulated_arrivals_agree_with_the_stated_odds(bench: Bench) -> None:
    """10,000 waits: a rate is drawn, a year's arrivals at that rate, then what comes next.

    The odds for so many machines counted are those the database gives for such a workshop; each
    machine serves with the chance its score states. Aim: calibration error at most .03.
    """
    dice = random.Random(20_261_127)
    job = bench.job()
    bench.donor("K3-60 R1 W", received_on=days_ago(SPAN))  # counted since then
    stated_for = {}
    for came in range(MOST_CAME + 1):
        for days in (14, 30, 60, 90):
            found = odds(bench, job, days=days)
            assert (found.came, found.span_days) == (came, SPAN)
            stated_for[came, days] = found.chance
        bench.donor("W7-60 R1 W", received_on=days_ago(dice.randrange(SPAN)))
    counting = Counting(bench.workshop.pk, on=TODAY)
    chances = counting._by_donor(needs_of(bench, job)).values()
    serves = sum(one for [one] in chances) / len(chances)
    stated, happened = [], []
    while len(stated) < 10_000:
        rate, days = dice.gammavariate(0.5, 1 / 70), dice.choice([14, 30, 60, 90])
        came = _poisson(dice, rate * SPAN)
        if came <= MOST_CAME:  # more were not counted above; which are left out is no bias
            coming = _poisson(dice, rate * days)
            stated.append(stated_for[came, days])
            happened.append(any(dice.random() < serves for _ in range(coming)))
    assert expected_calibration_error(happened, stated) <= 0.03
    # Who had taken the mean rate for each would have been far off: the test can fail.
    same = [sum(happened) / len(happened) + 0.1] * len(stated)
    assert expected_calibration_error(happened, same) > 0.03


def _poisson(dice: random.Random, mean: float) -> int:
    waited, count = dice.expovariate(1), 0
    while waited < mean:
        waited, count = waited + dice.expovariate(1), count + 1
    return count


def test_the_same_queries_however_much_came_in(bench: Bench) -> None:
    job = bench.job(needs=[NeedFacts(kind="control-board"), NeedFacts(kind="drain-pump")])

    def counted(more: int) -> int:
        for _ in range(more):
            bench.donor("W7-60 R1 W", received_on=days_ago(30))
            bench.job("W7-60 R1 S", opened_on=days_ago(3))
        needs = needs_of(bench, job)
        with CaptureQueriesContext(connection) as seen:
            Counting(bench.workshop.pk, on=TODAY).odds(needs, NONE, days=30)
        return len(seen)

    counted(1)
    few = counted(1)
    assert counted(6) == few <= 20
