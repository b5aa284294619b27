"""The API of the figures says what the pages say."""

import math
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone
from rest_framework.test import APIClient
from scipy.stats import nbinom

from matching import looking_for
from matching.api.figures import LET_GO, LOOK_FOR
from matching.figures import kept, lasts, needs, shelf, spans, yields
from tests.factories import NOW, Bench
from tests.integration.matching.figures_world import Rows, before
from tests.unit.published import rows as published_rows

pytestmark = pytest.mark.django_db

OF_A_SPAN = ("needs", "donors", "kept", "lasting")
ALL = (*(f"figures-{name}" for name in (*OF_A_SPAN, "shelf", "let-go")), "look-for")


@pytest.fixture
def world(bench: Bench) -> Rows:
    rows = Rows(bench)
    donor = rows.donor(before(60), "board-fault")
    for days in (20, 200, 500):
        rows.part(donor, removed_on=before(days))
    rows.part(donor, "scrap")
    rows.part(donor, state="sold", gone_on=before(5), price_cents=1100)
    rows.step(donor, 18.0)
    rows.need(before(70), "filled", filled=before(30))
    rows.need(before(70))
    rows.fitting(before(90), "failed", days_to_failure=10)
    return rows


def got(api: APIClient, name: str, **asked: object) -> dict:
    answer = api.get(reverse(f"api-{name}"), asked)
    assert answer.status_code == 200, answer.json()
    found: dict = answer.json()
    return found


def test_the_same_numbers(bench: Bench, world: Rows, api: APIClient) -> None:
    today = timezone.localdate()
    span = spans.last_months(24, today=today)
    rate = needs.fill_rate(bench.workshop, span, today=today)
    asked = {"months": 24}
    found = got(api, "figures-needs", **asked)
    assert found["span"] == {"start": str(span.start), "end": str(span.end)}
    assert found["fill_rate"]["whole"]["share"] == rate.whole.share
    assert found["fill_rate"]["whole"]["low"] == rate.whole.interval[0]
    assert len(found["fill_rate"]["months"]) == len(span.months)
    waited = needs.waits(bench.workshop, span)
    assert found["waits"]["median_days"] == waited.median_days
    assert len(found["waits"]["steps"]) == len(waited.curve.steps)
    brought = yields.yields(bench.workshop, span)
    donors = got(api, "figures-donors", **asked)
    assert donors["begun"]["sold_cents"] == brought.begun.sold_cents == 1100
    assert donors["rows"][0]["begun"]["minutes"] == 18.0
    used = kept.kept(bench.workshop, span)
    assert got(api, "figures-kept", **asked)["mass"]["kg"] == used.mass.about
    long = lasts.how_long(bench.workshop, span)
    lasting = got(api, "figures-lasting", **asked)
    assert lasting["whole"]["fitted"] == long.whole.found.count
    assert lasting["whole"]["steps"][0]["working"] == long.whole.found.steps[0].working
    stands = shelf.shelf(bench.workshop, today=today)
    assert got(api, "figures-shelf")["to_let_go"] == stands.to_let_go
    page = got(api, "figures-let-go", page_size=1)
    assert page["count"] == stands.to_let_go
    assert len(page["results"]) == 1
    assert page["results"][0]["reasons"]
    assert page["results"][0].keys() == LET_GO.value["results"][0].keys()


def test_what_to_look_for(bench: Bench, api: APIClient) -> None:
    job = bench.job("W7-60 R1 W", "control-board")
    bench.drain()
    looking_for.work_off(bench.workshop, now=NOW)
    found = got(api, "look-for")
    first = found["results"][0]
    assert (first["make"], first["family"]) == ("Velthane", "W7")
    assert first["jobs"][0]["ref"] == job.ref
    assert first["expected_jobs"] == pytest.approx(first["jobs"][0]["p"])
    (example,) = LOOK_FOR.value["results"]
    assert first.keys() == example.keys()
    assert first["jobs"][0]["needs"][0].keys() == example["jobs"][0]["needs"][0].keys()


@pytest.mark.parametrize("name", OF_A_SPAN)
@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"months": 7}, "months"),
        ({"from": "2999-01-01"}, "from"),
        ({"from": "2020-05-02", "to": "2020-05-01"}, "to"),
        ({"to": "2020-05-01"}, "from"),
        ({"from": "soon"}, "from"),
    ],
)
def test_a_bad_span_is_refused_by_field(api: APIClient, name, asked, field) -> None:
    answer = api.get(reverse(f"api-figures-{name}"), asked)
    assert answer.status_code == 400
    assert field in str(answer.json())


@pytest.mark.parametrize("name", ["figures-shelf", "figures-let-go"])
def test_a_place_that_costs_nothing_is_refused(api: APIClient, name) -> None:
    for wrong in ("0", "nan", "much"):
        answer = api.get(reverse(f"api-{name}"), {"shelf_per_year": wrong})
        assert answer.status_code == 400
        assert "shelf_per_year" in str(answer.json())


@pytest.mark.parametrize("name", ALL)
def test_only_for_members_and_only_their_own(name, world, other_bench, sign_in) -> None:
    assert APIClient().get(reverse(f"api-{name}")).status_code in (401, 403)
    looking_for.work_off(world.bench.workshop, now=NOW)
    theirs = str(got(sign_in(at=other_bench), name))
    assert "P-" not in theirs
    assert "J-" not in theirs


@pytest.mark.parametrize("name", ALL)
def test_an_empty_workshop(name, api: APIClient) -> None:
    assert got(api, name) is not None


class TestPublished:
    """What the pages say rests on published figures (tests/data/check_values.json)."""

    def test_keep_or_skip(self, bench: Bench, api: APIClient, monkeypatch) -> None:
        """Three parts share 4.5 requests a year, 1.5 each; one year ahead, price 35, place 4.

        The published row reckons scrap and stripping too, which no part on the shelf has: they
        are taken off by hand.
        """
        ((each, years, price, scrap, place, strip, published),) = published_rows("keep_or_skip")
        ahead = {"amount": 12 * years, "source": "the published row"}
        file = {**shelf._guide_file(), "ahead_months": ahead}
        monkeypatch.setattr(shelf, "_guide_file", lambda: file)
        world, today = Rows(bench), timezone.localdate()
        donor = world.donor()
        for _ in range(3):
            world.part(donor, price_cents=price * 100)
        asked = 8  # and half a request as prior: 8.5 in 690 days are 4.5 a year
        for nth in range(asked):
            world.need(today - timedelta(days=690 - 10 * nth), "withdrawn")
        (found,) = got(api, "figures-let-go", shelf_per_year=place)["results"]
        left_over = math.exp(-each * years)
        assert found["value"] + scrap * left_over - strip == pytest.approx(published, abs=0.01)

    def test_newsvendor(self, bench: Bench, api: APIClient, client) -> None:
        """At the published ratio the demand told of is scipy's quantile of the same demand."""
        price, cost, salvage, ratio, *_ = published_rows("newsvendor")[0]
        assert salvage == 0
        world, today = Rows(bench), timezone.localdate()
        donor = world.donor()
        for _ in range(30):
            world.part(donor, price_cents=price * 100)
        asked, days = 10, 487
        for nth in range(asked):
            world.need(today - timedelta(days=days - 40 * nth), "withdrawn")
        months = days / (365.25 / 12)
        enough, others = (
            int(nbinom.ppf(share, 0.5 + asked, months / (months + 24))) for share in (ratio, 0.5)
        )
        assert enough != others
        said = f"for 24 months {enough} are enough: asked for {asked} times"
        results = got(api, "figures-let-go", shelf_per_year=cost / 2)["results"]
        assert said in results[0]["reasons"][0]
        client.force_login(bench.technician.user)
        page = client.get(reverse("let-go"), {"shelf_per_year": cost / 2})
        assert said in page.content.decode()
