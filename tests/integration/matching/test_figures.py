"""Every figure on a small world worked by hand, and against a judge in plain Python."""

import random
from datetime import date, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from scipy.stats import CensoredData, ecdf

from donors.models import Appliance, Donor
from matching import warranty
from matching.domain.lasting import Fitted
from matching.figures import kept, lasts, needs, shelf, spans, yields
from matching.models import Job, Match, Need, Outcome
from parts.models import Part
from parts.reference import kinds
from tests.factories import NOW, TODAY, Bench
from tests.integration.matching.figures_world import Rows, before
from tests.unit.published import VALUES, rows
from workshop.errors import InputRefused

pytestmark = pytest.mark.django_db

YEAR = spans.last_months(12, today=TODAY)


@pytest.fixture
def world(bench: Bench) -> Rows:
    return Rows(bench)


def queries(ask) -> int:
    with CaptureQueriesContext(connection) as seen:
        ask()
    return len(seen)


class TestSpans:
    @pytest.mark.parametrize(
        ("months", "start"),
        [(3, date(2026, 8, 21)), (6, date(2026, 5, 21)), (12, date(2025, 11, 21))],
    )
    def test_last_months_end_today(self, months, start):
        assert spans.chosen(today=TODAY, months=months) == spans.Span(start, TODAY)

    def test_a_month_that_is_shorter(self):
        assert spans.months_on(date(2026, 3, 31), -1) == date(2026, 2, 28)
        assert spans.months_on(date(2024, 11, 30), 3) == date(2025, 2, 28)

    def test_days_go_before_months_and_end_today(self):
        found = spans.chosen(today=TODAY, months=3, start=date(2025, 2, 1))
        assert found == spans.Span(date(2025, 2, 1), TODAY)
        assert found.months[0] == date(2025, 2, 1)
        assert found.months[-1] == date(2026, 11, 1)
        assert len(found.months) == 22

    @pytest.mark.parametrize(
        ("asked", "field"),
        [
            ({"months": 5}, "months"),
            ({"months": -3}, "months"),
            ({"end": TODAY}, "from"),
            ({"start": TODAY + timedelta(days=1)}, "from"),
            ({"start": before(9), "end": TODAY + timedelta(days=1)}, "to"),
            ({"start": before(9), "end": before(10)}, "to"),
            ({"start": date(1949, 1, 1)}, "from"),
            ({"start": date(2000, 1, 1)}, "to"),
        ],
    )
    def test_a_span_that_cannot_be_is_refused_by_field(self, asked, field):
        with pytest.raises(InputRefused) as refused:
            spans.chosen(today=TODAY, **asked)
        assert field in refused.value.fields


class TestFillRate:
    def test_by_hand(self, bench, world):
        """3 filled, 1 withdrawn, 2 overdue, 2 within their wait: 3 of 6."""
        for opened in (before(10), before(40), before(70)):
            world.need(opened, "filled", filled=TODAY)
        world.need(before(40), "withdrawn")
        world.need(before(31))
        world.need(before(20), wait_until=before(1), kind="belt")
        world.need(before(30))
        world.need(before(90), wait_until=TODAY)
        world.need(before(400), "filled", filled=before(390))
        found = needs.fill_rate(bench.workshop, YEAR, today=TODAY)
        assert found.whole == needs.Filled(filled=3, withdrawn=1, overdue=2, waiting=2)
        assert found.whole.share == 0.5
        # 3 of 6: (p + z²/2n ± z√(p(1-p)/n + z²/4n²)) / (1 + z²/n), by hand with z = 1.959964.
        assert found.whole.interval == pytest.approx((0.187617, 0.812383), abs=1e-6)
        by_kind = {slug: one for slug, _, one in found.kinds}
        assert by_kind["belt"] == needs.Filled(overdue=1)
        months = dict(found.months)
        assert len(months) == 13
        assert months[date(2026, 10, 1)] == needs.Filled(1, 1, 2, 1)
        assert months[date(2026, 2, 1)].share is None

    @pytest.mark.parametrize(
        ("filled", "of", "low", "high"),
        [(26, 200, 0.0903, 0.1837), (9, 10, 0.5958, 0.9821), (5, 5, 0.5655, 1.0)],
    )
    def test_interval(self, filled, of, low, high):
        """NIST/SEMATECH 7.2.4.1 for 26 of 200; the others by scipy's binomtest (Wilson)."""
        found = needs.Filled(filled=filled, overdue=of - filled).interval
        assert found == pytest.approx((low, high), abs=5e-5)

    def test_against_a_judge(self, bench, world):
        dice = random.Random(3)
        for _ in range(60):
            opened = before(dice.randint(0, 500))
            state = dice.choice(["open", "filled", "withdrawn"])
            until = opened + timedelta(days=dice.randint(0, 60)) if dice.random() < 0.5 else None
            world.need(opened, state, wait_until=until, kind=dice.choice(["belt", "drain-pump"]))
        whole = [0, 0, 0, 0]
        for need in Need.of(bench.workshop).select_related("job"):
            if not YEAR.start <= need.job.opened_on <= YEAR.end:
                continue
            until = need.job.wait_until or need.job.opened_on + timedelta(days=30)
            place = {"filled": 0, "withdrawn": 1}.get(need.state, 2 if until < TODAY else 3)
            whole[place] += 1
        found = needs.fill_rate(bench.workshop, YEAR, today=TODAY)
        assert found.whole == needs.Filled(*whole)
        assert sum((one for _, one in found.months), needs.Filled()) == found.whole
        assert sum((one for *_, one in found.kinds), needs.Filled()) == found.whole


class TestWaits:
    def test_6mp_rows_through_the_service(self, bench, world):
        """Freireich and others 1963, weeks read as days: filled, or still open at the end."""
        block = VALUES["kaplan_meier_6mp"]
        start = before(100)
        for days in block["events"]:
            world.need(start, "filled", filled=start + timedelta(days=days))
        for days in block["censored"]:
            world.need(TODAY - timedelta(days=days))
        found = needs.waits(bench.workshop, YEAR)
        for day, share in rows("kaplan_meier_6mp"):
            assert found.curve.working_after(day).working == pytest.approx(share, abs=5e-7)
        assert (found.median_days, found.open) == (23, len(block["censored"]))

    def test_against_scipy(self, bench, world):
        """scipy.stats.ecdf of censored data."""
        dice = random.Random(4)
        filled, still = [], []
        for _ in range(50):
            opened = before(dice.randint(0, 200))
            waited = dice.randint(0, 120)
            if opened + timedelta(days=waited) <= TODAY:
                world.need(opened, "filled", filled=opened + timedelta(days=waited))
                filled.append(waited)
            else:
                world.need(opened)
                still.append((TODAY - opened).days)
        judge = ecdf(CensoredData(uncensored=filled, right=still)).sf
        for step in needs.waits(bench.workshop, YEAR).curve.steps:
            at = int(np.searchsorted(judge.quantiles, step.day))
            assert step.working == pytest.approx(judge.probabilities[at], abs=1e-12)

    def test_what_was_filled_after_the_span_still_waited_at_its_end(self, bench, world):
        world.need(before(60), "filled", filled=before(10))
        found = needs.waits(bench.workshop, spans.Span(before(90), before(30)))
        assert (found.curve.failed, found.open, found.curve.watched_days) == (0, 1, 30)

    def test_what_is_left_out_is_said(self, bench, world):
        world.need(before(60), "withdrawn")
        world.need(before(60), "filled")
        found = needs.waits(bench.workshop, YEAR)
        assert (found.curve.count, found.withdrawn_undated, found.undated) == (0, 1, 1)

    def test_withdrawn_needs_count_until_that_day(self, bench, world):
        """scipy.stats.ecdf of the same days, the withdrawn ones censored."""
        waited, given_up = [5, 9, 30], [4, 9, 20]
        for days in waited:
            world.need(before(60), "filled", filled=before(60 - days))
        for days in given_up:
            world.need(before(60), "withdrawn", withdrawn_on=before(60 - days))
        found = needs.waits(bench.workshop, YEAR)
        judge = ecdf(CensoredData(uncensored=waited, right=given_up)).sf
        assert [step.working for step in found.curve.steps] == pytest.approx(
            [
                p
                for day, p in zip(judge.quantiles, judge.probabilities, strict=True)
                if day in waited
            ]
        )
        assert (found.withdrawn, found.withdrawn_median_days, found.open) == (3, 9, 0)

    def test_what_was_withdrawn_after_the_span_still_waited_at_its_end(self, bench, world):
        world.need(before(60), "withdrawn", withdrawn_on=before(10))
        found = needs.waits(bench.workshop, spans.Span(before(90), before(30)))
        assert (found.withdrawn, found.open, found.curve.watched_days) == (0, 1, 30)

    def test_the_last_fitting_fills_and_one_that_did_not_fit_does_not(self, bench, world):
        need = world.need(before(60), "filled", filled=before(50))
        world.fitting(before(20), need=need)
        world.fitting(before(5), "did-not-fit", need=need)
        assert needs.waits(bench.workshop, YEAR).median_days == 40


class TestYields:
    def test_by_hand(self, bench, world):
        """Two begun donors, one not: 3 parts taken, 1 sold at 12.50, 1 fitted without a price."""
        first = world.donor(before(50), "board-fault")
        world.part(first, "tested-good", state="sold", price_cents=1250, gone_on=TODAY)
        world.part(first, state="fitted", gone_on=TODAY)
        world.part(first, state="in-machine", removed_on=None)
        world.step(first, 20.0)
        world.step(first, 5.0, said_min=40.0)
        world.step(first, None)
        second = world.donor(before(40), "board-fault")
        failed = world.part(second, removed_on=before(3))
        world.test(failed, "failed")
        third = world.donor(before(30), "board-fault")
        world.part(third, state="in-machine", removed_on=None)
        world.donor(before(400), "board-fault")
        (row,) = yields.yields(bench.workshop, YEAR).rows
        assert row.not_begun == 1
        assert row.begun == yields.Yield(
            donors=2,
            taken=3,
            proven=1,
            fitted=1,
            sold=1,
            sold_cents=1250,
            unpriced=1,
            timed=1,
            minutes=60.0,
            untimed_steps=1,
        )
        assert row.begun.taken_each == 1.5
        assert row.begun.hours_each == 1.0
        assert row.begun.money_cents_each == 625

    def test_against_a_judge(self, bench, world):
        dice = random.Random(5)
        for _ in range(12):
            donor = world.donor(before(dice.randint(0, 500)), dice.choice(["board-fault", ""]))
            for _ in range(dice.randint(0, 4)):
                state = dice.choice(["in-machine", "shelved", "sold", "fitted", "scrapped"])
                taken = None if state == "in-machine" else before(2)
                cents = dice.choice([None, 100, 999])
                part = world.part(donor, state=state, removed_on=taken, price_cents=cents)
                for _ in range(dice.randint(0, 2)):
                    world.test(part, dice.choice(["good", "worn", "failed"]))
        taken = proven = money = not_begun = 0
        for donor in Donor.of(bench.workshop).filter(received_on__range=(YEAR.start, YEAR.end)):
            parts = list(donor.parts.all())
            out = [part for part in parts if part.removed_on]
            not_begun += 0 if out else 1
            taken += len(out)
            for part in out:
                proven += part.tests.filter(verdict__in=["good", "worn"]).exists()
                money += (part.price_cents or 0) if part.state in ("sold", "fitted") else 0
        found = yields.yields(bench.workshop, YEAR)
        begun = found.begun
        assert (begun.taken, begun.money_cents, found.not_begun) == (taken, money, not_begun)
        assert begun.proven == proven
        assert sum(one.donors for _, one in found.by_appliance) == begun.donors


class TestShelf:
    def test_bands_and_worth_by_hand(self, bench, world):
        donor = world.donor()
        for days, cents in ((10, 500), (100, None), (200, 700), (400, None), (900, 100)):
            world.part(donor, removed_on=before(days), price_cents=cents)
        world.part(donor, removed_on=None)
        world.part(donor, "scrap", price_cents=9900)
        world.part(donor, state="sold")
        found = shelf.shelf(bench.workshop, today=TODAY)
        assert [band.pile.count for band in found.bands] == [1, 1, 1, 1, 1, 1]
        # The middle of 1.00, 5.00 and 7.00 for each of the three without a price.
        assert (found.pile.cents, found.pile.guessed_cents) == (1300, 3 * 500)
        assert (found.scrap, found.pile.count) == (1, 6)

    def test_a_band_begins_where_the_one_before_ends(self, bench, world):
        day = spans.months_on(TODAY, -3)
        world.part(removed_on=day)
        world.part(removed_on=day + timedelta(days=1))
        piles = {
            band.slug: band.pile.count for band in shelf.shelf(bench.workshop, today=TODAY).bands
        }
        assert (piles["below-3"], piles["3-6"]) == (1, 1)

    def test_what_to_let_go_by_hand(self, bench, world):
        """Five pumps nobody asked for: two stay; the worst grade goes first, then the oldest."""
        donor = world.donor()
        good = world.part(donor, "tested-good", price_cents=4000)
        worn = world.part(donor, "tested-worn", price_cents=4000)
        old = world.part(donor, removed_on=before(300), price_cents=4000)
        new = world.part(donor, removed_on=before(20), price_cents=4000)
        held = world.part(donor, price_cents=4000)
        world.hold(held, world.need(before(800)))
        scrap = world.part(donor, "scrap")
        world.doubt(new, failed=good)
        found = shelf.shelf(bench.workshop, today=TODAY)
        listed = shelf.LetGoRows(bench.workshop, found)[:50]
        assert [one.part for one in listed][:2] == [old, new]
        assert listed[-1].part == scrap
        assert held not in [one.part for one in listed]
        assert len(listed) == found.to_let_go
        assert [one.in_doubt for one in listed][:2] == [False, True]
        assert any("no request in 12 months" in reason for reason in listed[0].reasons)
        assert any("1 promised to jobs" in reason for reason in listed[0].reasons)
        assert worn in Part.of(bench.workshop).filter(state="shelved")
        assert Part.of(bench.workshop).filter(state="scrapped").count() == 0

    def test_what_is_proposed_counts_as_promised(self, bench, world):
        donor = world.donor()
        parts = [world.part(donor, removed_on=before(300 - at)) for at in range(5)]
        found = shelf.shelf(bench.workshop, today=TODAY)
        assert parts[0] in [one.part for one in shelf.LetGoRows(bench.workshop, found)[:50]]
        proposal = bench.proposal(parts[0], world.need(before(800)))
        found = shelf.shelf(bench.workshop, today=TODAY)
        listed = shelf.LetGoRows(bench.workshop, found)[:50]
        assert parts[0] not in [one.part for one in listed]
        assert len(listed) == found.to_let_go > 0
        assert (found.held, found.groups[0].held, found.groups[0].standing.count) == (1, 1, 4)
        world.hold(parts[0], proposal.need)  # held and proposed: promised once
        assert shelf.shelf(bench.workshop, today=TODAY).held == 1

    def test_what_may_serve_a_waiting_job_is_kept_first(self, bench, world):
        donor = world.donor()
        wanted = world.part(donor, removed_on=before(700))
        others = [world.part(donor, "tested-good") for _ in range(4)]
        need = world.need(before(800))
        Match.objects.create(
            workshop=bench.workshop,
            need=need,
            part=wanted,
            verdict="likely-fits",
            score_bits=2.0,
            p_fit=0.8,
            p_good=0.5,
            worth=0.4,
            scored_at=NOW,
        )
        found = shelf.shelf(bench.workshop, today=TODAY)
        listed = [one.part for one in shelf.LetGoRows(bench.workshop, found)[:50]]
        assert wanted not in listed
        assert set(listed) <= set(others)
        assert listed

    def test_pages_hold_every_part_once(self, bench, world):
        for kind in ("drain-pump", "belt", "heater"):
            for _ in range(5):
                world.part(kind_id=kind)
        world.part(None, "scrap")
        found = shelf.shelf(bench.workshop, today=TODAY)
        listed = shelf.LetGoRows(bench.workshop, found)
        whole = [one.part.pk for one in listed[0 : len(listed)]]
        paged = [one.part.pk for at in range(0, len(listed), 2) for one in listed[at : at + 2]]
        assert whole == paged
        assert len(set(whole)) == len(whole) == len(listed) >= 10

    def test_a_place_costs_something(self, bench):
        with pytest.raises(InputRefused) as refused:
            shelf.shelf(bench.workshop, today=TODAY, shelf_per_year=0)
        assert "shelf_per_year" in refused.value.fields


class TestKept:
    def test_by_hand(self, bench, world):
        """2 drain pumps and 1 belt fitted, 1 pump sold: 3 × 0.5 + 0.07 kg by the table."""
        need = world.need(before(60), "filled", filled=before(9))
        world.fitting(before(9), "failed", days_to_failure=3)
        world.fitting(before(9), "did-not-fit")
        world.fitting(before(400))
        world.fitting(before(200), kind="belt")
        world.part(state="sold", gone_on=before(3))
        found = kept.kept(bench.workshop, YEAR)
        assert found.count == 4
        assert found.imported == 3  # none of these rows names a part
        weights = kept.weights()
        assert found.mass.kg == pytest.approx(
            3 * weights["drain-pump"]["kg"] + weights["belt"]["kg"]
        )
        assert found.mass.about == 1.6
        assert (found.guessed, found.unweighed) == (4, 0)
        assert sum(count for _, count in found.months) == 4
        (machines,) = found.machines
        one = Appliance.objects.get(slug="washing-machine")
        assert machines.count == 1
        assert machines.mass.kg == (one.mass_kg_low + one.mass_kg_high) / 2
        assert need.job.state == Job.State.DONE

    @pytest.mark.parametrize(
        ("value", "shown"), [(0, 0), (0.0347, 0.035), (1.57, 1.6), (996, 1000), (1449, 1400)]
    )
    def test_two_figures(self, value, shown):
        assert kept.two_figures(value) == pytest.approx(shown)


class TestLasting:
    def test_6mp_rows_through_the_service(self, bench, world):
        """Freireich and others 1963, weeks read as days: failed, or working until today."""
        block = VALUES["kaplan_meier_6mp"]
        good = world.part(None, "tested-good", state="fitted")
        for days in block["events"]:
            world.fitting(before(100), "failed", days_to_failure=days, part=good)
        for days in block["censored"]:
            world.fitting(before(days), part=good)
        found = lasts.how_long(bench.workshop, YEAR)
        (group,) = found.grades
        assert (group.slug, group.warranty_days, group.few) == ("tested-good", 90, False)
        for day, share in rows("kaplan_meier_6mp"):
            assert group.found.working_after(day).working == pytest.approx(share, abs=5e-7)
        assert group.found == found.whole.found == found.kinds[0].found

    def test_a_failure_after_the_span_was_not_known_at_its_end(self, bench, world):
        world.fitting(before(100), "failed", days_to_failure=80)
        early = lasts.how_long(bench.workshop, spans.Span(before(200), before(50)))
        assert (early.whole.found.failed, early.whole.found.watched_days) == (0, 50)
        assert lasts.how_long(bench.workshop, YEAR).whole.found.failed == 1

    def test_an_unknown_day_is_the_worst_case_and_what_did_not_fit_counts_nowhere(
        self, bench, world
    ):
        world.fitting(before(100), "failed")
        world.fitting(before(100), "did-not-fit")
        found = lasts.how_long(bench.workshop, YEAR)
        assert (found.undated, found.ungraded, found.whole.found.count) == (1, 1, 1)
        assert found.whole.found.steps[0].day == 0
        assert found.whole.few

    def test_against_a_judge(self, bench, world):
        dice = random.Random(6)
        parts = [world.part(None, grade, state="fitted") for grade in ("tested-good", "untested")]
        for _ in range(60):
            failed = dice.random() < 0.4
            world.fitting(
                before(dice.randint(0, 500)),
                "failed" if failed else "worked",
                days_to_failure=dice.randint(0, 300) if failed else None,
                part=dice.choice(parts),
                kind=dice.choice(["belt", "heater"]),
            )
        one_by_one = []
        for row in Outcome.of(bench.workshop).select_related("part"):
            if not YEAR.start <= row.fitted_on <= YEAR.end:
                continue
            watch = (TODAY - row.fitted_on).days
            days = row.days_to_failure
            failed = row.result == "failed" and days <= watch
            lived = float(days if failed else watch)
            one_by_one.append(Fitted(lived, failed, row.kind_id, row.part.grade))
        found = lasts.how_long(bench.workshop, YEAR)
        for groups, name in ((found.grades, "grade"), (found.kinds, "kind")):
            for group in groups:
                mine = [one for one in one_by_one if getattr(one, name) == group.slug]
                assert group.found == lasts.lasting(mine)

    def test_warranty_days(self, bench):
        """practice.md 7: 90 for tested good, 30 for untested (common practice)."""
        found = {one.name: (one.days, one.own) for one in lasts.warranty_carried(bench.workshop)}
        assert found["tested good"] == (90, False)
        assert found["untested"] == (30, False)
        assert "Belt" not in found

    def test_warranty_days_the_workshop_has_set(self, bench, world):
        warranty.set_days(workshop=bench.workshop, days=14, grade="tested-good")
        warranty.set_days(workshop=bench.workshop, days=7, kind="belt")
        rows = lasts.warranty_carried(bench.workshop)
        found = {one.name: (one.days, one.own) for one in rows}
        assert found["tested good"] == (14, True)
        assert found["untested"] == (30, False)
        assert found[kinds()["belt"].name] == (7, True)
        world.fitting(before(9), part=world.part(None, "tested-good", state="fitted"))
        world.fitting(before(9), part=world.part(None, "untested", state="fitted"))
        groups = lasts.how_long(bench.workshop, YEAR).grades
        assert {one.slug: (one.warranty_days, one.warranty_own) for one in groups} == {
            "tested-good": (14, True),
            "untested": (30, False),
        }


ASKED = {
    "fill rate": lambda bench: needs.fill_rate(bench.workshop, YEAR, today=TODAY),
    "waits": lambda bench: needs.waits(bench.workshop, YEAR),
    "yields": lambda bench: yields.yields(bench.workshop, YEAR),
    "shelf": lambda bench: shelf.LetGoRows(
        bench.workshop, shelf.shelf(bench.workshop, today=TODAY)
    )[:50],
    "kept": lambda bench: kept.kept(bench.workshop, YEAR),
    "lasting": lambda bench: lasts.how_long(bench.workshop, YEAR),
}


def grow(world: Rows) -> None:
    donor = world.donor(before(20), "board-fault")
    for _ in range(4):
        world.part(donor)
    world.part(donor, "scrap")
    world.part(donor, state="sold", gone_on=before(2))
    world.step(donor, 12.0)
    world.need(before(50), "filled", filled=before(9))
    world.need(before(50))
    world.fitting(before(40), "failed", days_to_failure=9)


@pytest.mark.parametrize("name", ASKED)
def test_queries_do_not_grow_with_the_rows(name, bench, world):
    grow(world)
    ASKED[name](bench)  # reference tables are read once a process
    few = queries(lambda: ASKED[name](bench))
    for _ in range(4):
        grow(world)
    assert queries(lambda: ASKED[name](bench)) == few


@pytest.mark.parametrize("name", ASKED)
def test_nothing_of_another_workshop_counts(name, bench, other_bench, world):
    empty = ASKED[name](other_bench)
    grow(world)
    assert ASKED[name](other_bench) == empty
    assert ASKED[name](bench) != empty
