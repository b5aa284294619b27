"""A real browser on the site: Debian's chromium, started once for all tests of this folder."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tests.factories import Bench, make_bench
from workshop.models import Member

# Playwright's own loop runs in this thread; what Django then forbids is what these tests need.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or ""
IN_CI = os.environ.get("CI", "").lower() in {"1", "true"}
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}
PATIENCE_MS = 20_000
Open = Callable[..., Page]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep these on one worker (one browser) and on one engine, and never skip them in CI."""
    here = str(Path(__file__).parent)
    for item in items:
        if str(item.path).startswith(here):
            item.add_marker(pytest.mark.xdist_group("browser"))
            item.add_marker(pytest.mark.any_engine)
            item.add_marker(pytest.mark.django_db(transaction=True))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if not CHROMIUM:
        if IN_CI:
            pytest.fail("No chromium: in CI the browser tests must run.")
        pytest.skip("chromium is not installed (Debian: apt-get install chromium)")
    with sync_playwright() as started:
        one = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield one
        one.close()


@pytest.fixture
def bench(transactional_db: None) -> Bench:
    return make_bench("millrace")


@pytest.fixture
def open_as(browser: Browser, live_server: Any) -> Iterator[Open]:
    """Return what opens a page signed in as a member: open_as(member, size, theme) -> Page."""
    contexts: list[BrowserContext] = []

    def opened(member: Member, size: dict[str, int] = DESK, theme: str = "light") -> Page:
        context = browser.new_context(
            base_url=live_server.url,
            viewport=size,  # type: ignore[arg-type]
            color_scheme=theme,  # type: ignore[arg-type]
            has_touch=size is PHONE,
        )
        context.set_default_timeout(PATIENCE_MS)
        context.add_cookies([session_of(member, live_server.url)])
        contexts.append(context)
        return context.new_page()

    yield opened
    for context in contexts:
        context.close()


def session_of(member: Member, address: str) -> Any:
    client = Client()
    client.force_login(member.user)
    name = settings.SESSION_COOKIE_NAME
    return {"name": name, "value": client.cookies[name].value, "url": address}
