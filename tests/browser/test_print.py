"""On paper: the plan of a strip, a job, a list of parts by bin. Cautions in full, no controls."""

import pytest

from tests.browser.conftest import Open
from tests.factories import Bench

CONTROLS = """[...document.querySelectorAll('form, button, .button, .top, .sub-nav')]
    .filter(one => one.checkVisibility()).map(one => one.outerHTML.slice(0, 90))"""
CAUTIONS = """[...document.querySelectorAll('details.cautions li, .cautions details li')]
    .map(one => one.checkVisibility({contentVisibilityAuto: true}) && one.offsetHeight > 0)"""


@pytest.mark.parametrize("page_of", ["/donors/{0}/strip/", "/jobs/{1}/", "/parts/?text=shelf"])
def test_paper_shows_every_caution_and_no_control(
    bench: Bench, open_as: Open, page_of: str
) -> None:
    donor, job = bench.donor("W7-60 R1 W"), bench.job("W7-60 R1 W")
    page = open_as(bench.members["owner"])
    page.goto(page_of.format(donor.ref, job.ref))
    on_screen = page.evaluate(CAUTIONS)
    assert page.evaluate(CONTROLS) != []
    assert not any(on_screen)  # folded
    page.emulate_media(media="print")
    assert page.evaluate(CONTROLS) == []
    assert all(page.evaluate(CAUTIONS))
    assert bool(on_screen) == ("parts" not in page_of)
