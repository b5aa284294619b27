"""Every page against WCAG 2.2 AA, as far as axe-core can tell: both themes, both widths.

Source of the rules: axe-core (Deque, MPL 2.0), rules tagged wcag2a, wcag2aa, wcag21a, wcag21aa and
wcag22aa, and its best practices. What a program cannot see (whether words make sense, whether the
order of focus does) is for people.
"""

from pathlib import Path
from typing import Any, Literal, NamedTuple

import axe_playwright_python
from django.urls import reverse
from playwright.sync_api import Page, ViewportSize

from tests.browser.conftest import DESK, PHONE, Open
from tests.factories import Bench
from tests.integration.web import test_page_walls as walls


class Looks(NamedTuple):
    name: str
    size: ViewportSize
    theme: Literal["light", "dark"]
    rules: list[str]


AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# A theme changes colours and nothing else: the second one is asked about those alone.
CONTRAST = ["color-contrast"]
LOOKS = [
    Looks("phone, light", PHONE, "light", RULES),
    Looks("phone, dark", PHONE, "dark", CONTRAST),
    Looks("desk, light", DESK, "light", CONTRAST),
    Looks("desk, dark", DESK, "dark", RULES),
]
ASK = "rules => axe.run(document, {runOnly: rules, resultTypes: ['violations']})"


def violations(page: Page, rules: list[str] = RULES) -> dict[str, list[str]]:
    """Return the rules broken on the page shown, each with the elements that break it."""
    page.evaluate(AXE)
    found: dict[str, Any] = page.evaluate(ASK, rules)
    return {one["id"]: [node["html"][:160] for node in one["nodes"]] for one in found["violations"]}


def pages(bench: Bench) -> list[tuple[str, str]]:
    args = walls.things(bench)
    names = set(walls.page_routes()) - walls.ACTIONS - walls.FILES - walls.OPEN
    return sorted((name, reverse(name, args=args[name])) for name in names)


def test_no_page_breaks_a_rule(bench: Bench, open_as: Open) -> None:
    page, wrong = open_as(bench.members["owner"]), {}
    for name, address in pages(bench):
        page.goto(address)
        for looks in LOOKS:
            page.set_viewport_size(looks.size)
            page.emulate_media(color_scheme=looks.theme)
            broken = violations(page, looks.rules)
            if broken:
                wrong[f"{name}, {looks.name}"] = broken
    assert wrong == {}


def test_a_page_that_breaks_rules_is_found_out(bench: Bench, open_as: Open) -> None:
    """The control: pale words, a picture without words and a field without a name."""
    page = open_as(bench.members["owner"])
    page.goto(reverse("home"))
    page.evaluate(
        "document.querySelector('main').insertAdjacentHTML('beforeend',"
        " '<p id=pale>pale words</p><img src=\"data:,\"><input>');"
        "document.getElementById('pale').style.color = '#e8e8e8'"
    )
    assert {"color-contrast", "image-alt", "label"} <= set(violations(page))
