"""Pages on a phone: nothing is pushed sideways, and what is tapped is large enough for gloves.

44 px: WCAG 2.2 success criterion 2.5.5 (Target Size, Enhanced), which exempts links within text.
"""

import pytest
from playwright.sync_api import Page

from tests.browser.conftest import PHONE, Open
from tests.browser.test_accessibility import pages
from tests.factories import Bench

SIDEWAYS = "document.documentElement.scrollWidth - window.innerWidth"
# A tick is tapped by its label; a field of several lines or a choice of several is larger anyway.
TAPPED = (
    "button, select, summary, input:not([type=hidden], [type=checkbox], [type=radio], [type=file]),"
    "nav a, label:has(input[type=checkbox], input[type=radio]), .buttons a"
)
SMALL = """tapped => [...document.querySelectorAll(tapped)]
    .filter(one => one.checkVisibility({visibilityProperty: true}))
    .map(one => [one.outerHTML.slice(0, 90), one.getBoundingClientRect()])
    .filter(([, box]) => box.width > 1 && box.height > 1 && box.height < 43.5)
    .map(([html, box]) => `${box.height.toFixed(0)} px: ${html}`)"""


# Drawings, whose lines must keep their length: the curve of a wait, the order of a strip.
SCROLLS = ["Chance by day", "Drawing of the steps"]
WIDE = """allowed => {
    document.querySelectorAll('details').forEach(one => one.open = true);
    return [...document.querySelectorAll('.scroll')]
        .filter(one => one.scrollWidth > one.clientWidth)
        .filter(one => !allowed.includes(one.getAttribute('aria-label')))
        .map(one => `${one.scrollWidth} of ${one.clientWidth}: ${one.getAttribute('aria-label')}`)
}"""


def wide_boxes(page: Page) -> list[str]:
    found: list[str] = page.evaluate(WIDE, SCROLLS)
    return found


def small_targets(page: Page) -> list[str]:
    found: list[str] = page.evaluate(SMALL, TAPPED)
    return found


@pytest.mark.parametrize("width", [360, 430])
def test_a_phone_shows_every_page_without_pushing_sideways(
    bench: Bench, open_as: Open, width: int
) -> None:
    page, wrong = open_as(bench.members["owner"], {"width": width, "height": 800}), {}
    for name, address in pages(bench):
        page.goto(address)
        if over := page.evaluate(SIDEWAYS):
            wrong[name] = over
    assert wrong == {}


def test_no_table_of_a_phone_is_pushed_sideways_in_its_box(bench: Bench, open_as: Open) -> None:
    """With every fold open; what people read by scrolling it is named in SCROLLS."""
    page, wrong = open_as(bench.members["owner"], PHONE), {}
    for name, address in pages(bench):
        page.goto(address)
        if wide := wide_boxes(page):
            wrong[name] = wide
    assert wrong == {}


def test_a_box_wider_than_itself_is_found_out(bench: Bench, open_as: Open) -> None:
    """The control: a long code that cannot break, in a folded part of a page."""
    page = open_as(bench.members["owner"], PHONE)
    page.goto("/")
    page.evaluate(
        "document.querySelector('main').insertAdjacentHTML('beforeend',"
        " '<details><summary>More</summary><div class=scroll aria-label=codes><code>'"
        " + 'x'.repeat(200) + '</code></div></details>')"
    )
    assert any("codes" in one for one in wide_boxes(page))


def test_what_is_tapped_is_large_enough_for_gloves(bench: Bench, open_as: Open) -> None:
    page, wrong = open_as(bench.members["owner"], PHONE), {}
    for name, address in pages(bench):
        page.goto(address)
        if small := small_targets(page):
            wrong[name] = small
    assert wrong == {}


def test_small_targets_and_wide_things_are_found_out(bench: Bench, open_as: Open) -> None:
    """The control: a low button, and a box wider than the screen."""
    page = open_as(bench.members["owner"], PHONE)
    page.goto("/")
    page.evaluate(
        "document.querySelector('main').insertAdjacentHTML('beforeend',"
        " '<button id=low>low</button><div id=wide>wide</div>');"
        "document.getElementById('low').style.cssText = 'min-height: 0; height: 20px; padding: 0';"
        "document.getElementById('wide').style.width = '900px'"
    )
    assert any("low" in one for one in small_targets(page))
    assert page.evaluate(SIDEWAYS) > 0
