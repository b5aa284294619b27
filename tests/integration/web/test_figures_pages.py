"""The pages of figures, of what to let go and of what to look for."""

import re
from itertools import pairwise

import pytest
from django.test import Client
from django.urls import reverse

from matching import looking_for
from matching.web import figures_drawing as drawing
from tests.factories import NOW, Bench
from tests.integration.matching.figures_world import Rows, before
from tests.integration.web.test_page_queries import same_at_two_sizes

pytestmark = pytest.mark.django_db

PAGES = ("figures", "let-go", "look-for")


def page(client: Client, route: str = "figures", status: int = 200, **asked: str) -> str:
    answer = client.get(reverse(route), asked)
    assert answer.status_code == status
    return str(answer.content.decode())


@pytest.fixture
def filled(bench: Bench) -> Rows:
    """A little of everything, within the last year whatever today is."""
    world = Rows(bench)
    donor = world.donor(before(50), "board-fault")
    for days in (10, 100, 200, 400):
        world.part(donor, removed_on=before(days), price_cents=900)
    for _ in range(8):
        world.part(donor, price_cents=900)
    part = world.part(donor, "tested-good", state="fitted", gone_on=before(20))
    world.part(donor, state="sold", gone_on=before(20), price_cents=700)
    world.step(donor, 30.0)
    need = world.need(before(60), "filled")
    world.fitting(before(20), need=need, part=part)
    world.fitting(before(90), "failed", days_to_failure=30, kind="belt")
    world.need(before(80))
    return world


def test_they_are_in_the_navigation(cataloguer: Client) -> None:
    text = cataloguer.get(reverse("home")).content.decode()
    assert f'href="{reverse("figures")}"' in text
    assert f'href="{reverse("look-for")}"' in page(cataloguer)


def test_an_empty_workshop_has_plain_sentences(cataloguer: Client) -> None:
    text = page(cataloguer)
    for sentence in (
        "No job was opened in this span.",
        "No need of this span can be counted.",
        "No donor was received in this span.",
        "No part is on the shelf.",
        "No part was fitted or sold in this span.",
        "No fitting is on record in this span.",
    ):
        assert sentence in text
    assert "<svg" not in text
    assert "Nothing may go" in page(cataloguer, "let-go")
    assert "Nothing is listed yet." in page(cataloguer, "look-for")


def test_an_empty_list_that_was_worked_out_says_so(bench: Bench, cataloguer: Client) -> None:
    looking_for.work_off(bench.workshop, now=NOW)
    assert "No machine that is known of would complete" in page(cataloguer, "look-for")


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        ({"from": "2099-01-01"}, "lies ahead"),
        ({"to": "2020-01-01"}, "Give the first day too."),
        ({"from": "2020-05-02", "to": "2020-05-01"}, "Lies before the first day"),
        ({"from": "yesterday"}, "Give a day"),
        ({"months": "7"}, "none of the choices"),
    ],
)
def test_a_bad_span_is_refused_beside_its_field(cataloguer: Client, asked, why) -> None:
    text = page(cataloguer, status=400, **asked)
    assert "field-wrong" in text
    assert why in text
    assert "No figures are shown" in text
    assert "<svg" not in text


def test_every_figure_is_drawn_and_told(filled: Rows, cataloguer: Client) -> None:
    text = page(cataloguer, months="12")
    for name in ("rate", "wait", "yield", "age", "kept", "grade", "kind"):
        assert f'id="{name}-plot"' in text
    assert len(re.findall("<svg ", text)) >= 7
    assert "half are filled by" in text
    assert "from memory, a guide; nothing was weighed" in text
    assert "that is an assumption" in text
    assert "consumer law may set more" in text
    assert "Few fittings: 2." in text
    assert "Nothing goes by itself" in text


@pytest.mark.parametrize("route", PAGES)
def test_nothing_inline_and_nothing_of_others(route, filled, other_bench, sign_in) -> None:
    looking_for.work_off(filled.bench.workshop, now=NOW)
    text = page(sign_in(filled.bench), route).replace('<script src="/static/', "")
    for forbidden in (" style=", "<script", "<style", "onclick"):
        assert forbidden not in text
    theirs = page(sign_in(other_bench), route)
    assert "P-" not in re.sub(r"<title>.*?</title>", "", theirs)
    assert "J-" not in theirs


def test_what_to_let_go_links_its_parts_and_takes_a_cost(filled: Rows, cataloguer: Client) -> None:
    text = page(cataloguer, "let-go")
    listed = re.findall(r'<a class="ref" href="([^"]+)"', text)
    assert listed
    assert cataloguer.get(listed[0]).status_code == 200
    assert "a place costs 99 a year" in page(cataloguer, "let-go", shelf_per_year="99")
    for wrong in ("0", "-1", "nan", "much"):
        assert "field-wrong" in page(cataloguer, "let-go", status=400, shelf_per_year=wrong)


def test_what_to_look_for_names_jobs_and_numbers(bench: Bench, cataloguer: Client) -> None:
    job = bench.job("W7-60 R1 W", "control-board")
    bench.drain()
    looking_for.work_off(bench.workshop, now=NOW)
    text = page(cataloguer, "look-for")
    assert "Velthane W7" in re.sub(r"\s+", " ", text)
    assert "<code>W7-60 R1 W</code>" in text
    assert f">{job.ref}</a>" in text
    assert "Worked out on 2026-11-20" in text


def test_queries_do_not_grow(bench: Bench, technician: Client) -> None:
    world = Rows(bench)

    def grow() -> None:
        donor = world.donor(before(20), "board-fault")
        for _ in range(3):
            world.part(donor)
        world.need(before(50), "filled", filled=before(9))
        bench.job("W7-60 R1 W", "control-board")
        bench.drain()
        looking_for.work_off(bench.workshop, now=NOW)

    for route in PAGES:
        same_at_two_sizes(technician, lambda route=route: reverse(route), grow)


class TestDrawing:
    """By hand: the frame is 302 across from 42, 162 up to 20."""

    def test_a_step_curve(self) -> None:
        from matching.domain.lasting import Fitted, lasting

        found = lasting([Fitted(50.0, failed=True), Fitted(100.0, failed=False)])
        (curve,) = drawing.curves([("one", found)]).curves
        # A half is left: on a scale from 50 % that is the foot, 20 + 162.
        assert curve.line == "M42 20H193V182H344"
        assert drawing.curves([("one", found)]).floor == 50

    def test_letters_stand_apart(self) -> None:
        from matching.domain.lasting import Fitted, lasting

        found = lasting([Fitted(50.0, failed=False)])
        drawn = drawing.curves([("one", found), ("two", found), ("three", found)])
        places = [one.letter_y for one in drawn.curves]
        assert [one.letter for one in drawn.curves] == ["a", "b", "c"]
        assert places == sorted(places)
        assert min(b - a for a, b in pairwise(places)) >= 11
        assert len({one.style for one in drawn.curves}) == 3

    @pytest.mark.parametrize(
        ("most", "top"), [(0, 4), (4, 4), (5, 8), (9, 20), (21, 40), (999, 2000)]
    )
    def test_round_tops(self, most, top) -> None:
        assert drawing._round_up(most) == top

    def test_nothing_to_draw(self) -> None:
        assert drawing.curves([]).curves == ()
        assert drawing.share_bars([], few=10).bars == ()
        assert drawing.count_bars([]).bars == ()
        assert drawing.lying_bars([]) == ([], 2)
