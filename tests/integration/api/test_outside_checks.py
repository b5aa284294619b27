"""Published figures through the API, where somebody sees them (tests/data/check_values.json).

What is laid in is rows of a workshop, or the belief that its rows would give; everything between
those and the reply is the service's own. Negative-binomial, queue and median-wait rows are in
test_triage.py, simulated waits in matching/test_waiting_odds.py. Not to be had here: the example
of scipy's linear_sum_assignment (a cost that no allocation of ours has; the solver behind it is
tested with it), and the newsvendor row with a salvage (a shelf place has none).
"""

import math
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone
from rest_framework.test import APIClient
from scipy.stats import nbinom

from matching import waiting_odds
from matching.domain.waiting import Arrivals, Prior
from matching.figures import shelf
from tests.factories import Bench
from tests.integration.matching.figures_world import Rows
from tests.unit.published import VALUES, rows

pytestmark = pytest.mark.django_db

Got = Callable[..., dict]


@pytest.fixture
def got(api: APIClient) -> Got:
    def get(name: str, *args: object, **asked: object) -> dict:
        answer = api.get(reverse(f"api-{name}", args=args), asked)
        assert answer.status_code == 200, answer.json()
        return answer.json()

    return get


@pytest.mark.parametrize(("band", "mtbf"), [(1e-9, "median"), (0.6, "lower 80 %")])
def test_the_nist_gamma_example_is_the_curve_s_band(
    bench: Bench, api: APIClient, monkeypatch: pytest.MonkeyPatch, band: float, mtbf: str
) -> None:
    """NIST/SEMATECH 8.4.6, days for its hours: prior Gamma(2, 1400), 2 arrivals in 1909.

    Median MTBF 901, 80 % lower limit 600. The band's upper edge is the chance at the outer
    quantile of the rate: at its median for a band of nothing, at the 80 % one for the middle 60 %.
    """
    belief = Arrivals.counted([1.0, 1.0], span_days=1909, prior=Prior(2, 1400, 1))
    monkeypatch.setattr(Arrivals, "counted", lambda *_, **__: belief)
    monkeypatch.setattr(waiting_odds, "BAND", band)
    ((_, hours, median, lower),) = rows("gamma_nist_mtbf")
    assert belief.days == hours
    job = bench.job(opened_on=timezone.localdate())
    curve = api.get(f"/api/v1/jobs/{job.ref}/waiting/").json()["curve"]
    published = {"median": median, "lower 80 %": lower}[mtbf]
    for day in (1, 30, 60):
        found = -day / math.log1p(-curve[day]["high"])
        assert found == pytest.approx(published, abs=0.6)


@pytest.mark.parametrize(("repair", "new", "share", "counts"), rows("half_price"))
def test_half_the_price_of_a_new_machine(
    bench: Bench, api: APIClient, repair: int, new: int, share: float, counts: bool
) -> None:
    """Two repairers' pages: exactly half counts as replace (check_values.json, half_price)."""
    job = bench.job(opened_on=timezone.localdate())
    known = {
        "age_years": 5,
        "new_machine": str(new),
        "labour_minutes": 0,
        "new_parts": [{"need": job.needs.get().pk, "price": str(repair), "days": 3}],
    }
    answer = api.put(f"/api/v1/jobs/{job.ref}/triage/", known, format="json")
    rule = next(
        one for one in answer.json()["rules_of_thumb"] if one["words"].startswith("Over 3 and")
    )
    assert rule["applies"] is counts
    assert f"the repair is {100 * share:.0f} % of a new machine" in rule["because"]


class TestLife:
    """Freireich and others 1963, 6-MP arm (Le, Introductory Biostatistics, example 11.1)."""

    BLOCK = VALUES["kaplan_meier_6mp"]

    def _check(self, steps: list[dict], share: str) -> None:
        found = {step["day"]: step[share] for step in steps}
        for week, survival in rows("kaplan_meier_6mp"):
            assert found[week] == pytest.approx(survival, abs=5e-7)

    def test_days_waited(self, bench: Bench, got: Got) -> None:
        world, today = Rows(bench), timezone.localdate()
        start = today - timedelta(days=100)
        for days in self.BLOCK["events"]:
            world.need(start, "filled", filled=start + timedelta(days=days))
        for days in self.BLOCK["censored"]:
            world.need(today - timedelta(days=days))
        found = got("figures-needs", months=12)["waits"]
        self._check(found["steps"], "working")
        assert found["median_days"] == 23

    def test_how_long_parts_last(self, bench: Bench, got: Got) -> None:
        world, today = Rows(bench), timezone.localdate()
        for days in self.BLOCK["events"]:
            world.fitting(today - timedelta(days=100), "failed", days_to_failure=days)
        for days in self.BLOCK["censored"]:
            world.fitting(today - timedelta(days=days))
        self._check(got("figures-lasting", months=12)["whole"]["steps"], "working")


class TestLettingGo:
    """Keep-or-skip and the newsvendor's ratio as the list of what may go states them."""

    PARTS, ASKED, MONTHS = 6, 13, 18.0

    @pytest.fixture
    def world(self, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Rows:
        """Six pumps, 13 requests between 12 and 18 months ago: each part is asked for 1.5 a year.

        12 x (13 + half a request of the prior) / 18 months = 9 a year, among six parts.
        """
        known = shelf._guide_file()
        looked = {**known, "look_back_months": {"amount": self.MONTHS, "source": "this test"}}
        monkeypatch.setattr(shelf, "_guide_file", lambda: looked)
        world, today = Rows(bench), timezone.localdate()
        world.need(today - timedelta(days=700), "withdrawn")
        for at in range(self.ASKED):
            world.need(today - timedelta(days=400 + at), "withdrawn")
        return world

    def _stock(self, world: Rows, price_cents: int, count: int = PARTS) -> None:
        donor = world.donor()
        for _ in range(count):
            world.part(donor, price_cents=price_cents)

    def test_what_keeping_one_brings(
        self, world: Rows, got: Got, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The published case less its scrap and its strip cost, which a shelved part has not."""
        ((asked, years, price, scrap, place, strip, value),) = rows("keep_or_skip")
        ahead = {**shelf._guide_file(), "ahead_months": {"amount": 12 * years, "source": "test"}}
        monkeypatch.setattr(shelf, "_guide_file", lambda: ahead)
        self._stock(world, 100 * price)
        listed = got("figures-let-go", shelf_per_year=place)["results"]
        assert len(listed) == self.PARTS - 2
        expected = value + strip - scrap * math.exp(-asked * years)
        for one in listed:
            assert one["value"] == pytest.approx(expected, abs=5e-5)

    def test_the_newsvendor_s_ratio(self, world: Rows, got: Got) -> None:
        """Price 7, cost 5 (two years of a place at 2.50): the .2857 quantile of the demand.

        Judge: scipy's negative binomial with the published ratio.
        """
        price, cost, _, ratio, *_ = rows("newsvendor")[0]
        self._stock(world, 100 * price, count=20)
        listed = got("figures-let-go", shelf_per_year=cost / 2)["results"]
        enough = nbinom.ppf(ratio, 0.5 + self.ASKED, self.MONTHS / (self.MONTHS + 24))
        assert 1 < enough < 20
        for one in listed:
            assert f"for 24 months {enough:.0f} are enough" in one["reasons"][0]
        assert len(listed) == 18
