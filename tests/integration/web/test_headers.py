"""What every answer tells the browser, errors and files too, under the settings of production."""

import importlib
import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from config import api_urls
from tests.factories import PASSWORD, Bench
from tests.integration.api import test_walls as api_walls
from tests.integration.web import test_page_walls as walls

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

OF_PRODUCTION = ("SECURE_", "SESSION_COOKIE", "CSRF_COOKIE", "DEVICE_", "CONTENT_SEC", "X_FRAME")
YEAR = 365 * 24 * 3600


@pytest.fixture
def production(settings: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Put the settings of production in force that say something to browsers."""
    monkeypatch.setenv("SECRET_KEY", "k9" + "".join(chr(97 + n % 26) for n in range(60)))
    monkeypatch.setenv("ALLOWED_HOSTS", "bench.example")
    prod = importlib.import_module("config.settings.prod")
    for name in dir(prod):
        if name.startswith(OF_PRODUCTION):
            setattr(settings, name, getattr(prod, name))
    settings.ALLOWED_HOSTS = ["testserver"]
    return settings


def faults(answer: Any, *, policy: bool = True) -> list[str]:
    """Return what an answer fails to say. Anchors: OWASP ASVS 5.0, 3.4.1 to 3.4.6."""
    found = []
    hsts = answer.get("Strict-Transport-Security", "")
    age = re.search(r"max-age=(\d+)", hsts)
    if not age or int(age[1]) < YEAR or "includeSubDomains" not in hsts:
        found.append(f"HSTS {hsts!r}")
    if answer.get("X-Content-Type-Options") != "nosniff":
        found.append("nosniff")
    if answer.get("Referrer-Policy") not in {"same-origin", "no-referrer"}:
        found.append("referrer")
    if "Server" in answer or "X-Powered-By" in answer:
        found.append("names its server")
    csp = answer.get("Content-Security-Policy", "")
    if policy and not says_enough(csp):
        found.append(f"CSP {csp!r}")
    return found


def says_enough(csp: str) -> bool:
    if csp.startswith("sandbox") or "; sandbox" in csp:
        return True
    told = dict(part.strip().partition(" ")[::2] for part in csp.split(";"))
    strict = all(told.get(name) == "'none'" for name in ("object-src", "base-uri"))
    framed = told.get("frame-ancestors") == "'none'"
    # WebAssembly runs no text as a script; which pages may is for the tests of the scanner.
    scripts = csp.replace("'wasm-unsafe-eval'", "")
    return strict and framed and "unsafe-inline" not in csp and "unsafe-eval" not in scripts


def test_the_judge_sees_what_is_missing() -> None:
    """Negative control."""
    assert not says_enough("")
    assert not says_enough("default-src 'self' 'unsafe-inline'; object-src 'none'")
    rest = "object-src 'none'; base-uri 'none'; frame-ancestors 'none'"
    assert says_enough(f"{rest}; script-src 'self' 'wasm-unsafe-eval'")
    assert not says_enough(f"{rest}; script-src 'self' 'unsafe-eval'")
    assert len(faults({"Server": "x"})) == 5


def signed_in(bench: Bench) -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(bench.members["owner"].user)
    return client


def every_answer(bench: Bench, client: Client) -> Iterator[tuple[str, Any]]:
    args = walls.things(bench)
    for route in walls.page_routes():
        if route == "sign-out":
            continue
        address = reverse(route, args=args[route])
        for method in ("get", "post", "put"):
            yield f"{method} {route}", getattr(client, method)(address, secure=True)


def test_every_page_and_its_refusals(bench: Bench, production: Any) -> None:
    wrong = {
        name: bad
        for name, answer in every_answer(bench, signed_in(bench))
        if (bad := faults(answer))
    }
    assert wrong == {}


def test_every_answer_of_the_api(bench: Bench, production: Any) -> None:
    client = signed_in(bench)
    plain = [f"/api/v1/{p.pattern}" for p in api_urls.urlpatterns]
    paths = [*api_walls.things(bench).values(), *(path for path in plain if "<" not in path)]
    wrong = {}
    for path in paths:
        for method in ("get", "post"):
            answer = getattr(client, method)(path, secure=True)
            if bad := faults(answer):
                wrong[f"{method} {path}"] = bad
    assert wrong == {}


def test_errors_and_files(bench: Bench, production: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    client = signed_in(bench)
    answers = {
        "404": client.get("/nowhere/", secure=True),
        "404 api": client.get("/api/v1/nowhere/", secure=True),
        "400 NUL": client.get("/jobs/?text=%00", secure=True),
        "file": client.get("/static/css/site.css", secure=True),
        "stranger": Client().get(reverse("jobs"), secure=True),
    }
    strict = Client(enforce_csrf_checks=True)
    answers["403 forged"] = strict.post(reverse("sign-in"), secure=True)

    def falls_over(*_: Any, **__: Any) -> Any:
        raise RuntimeError("what only we should read: /home/secret")

    monkeypatch.setattr("workshop.members.members_of", falls_over)
    answers["500"] = client.get(reverse("jobs"), secure=True)
    monkeypatch.setattr("config.settings.base.DEBUG", False)
    assert answers["500"].status_code == 500
    assert b"secret" not in answers["500"].content
    assert b"Traceback" not in answers["500"].content
    assert b"Something went wrong here" in answers["500"].content
    # A style sheet shows nothing and runs nothing: it needs no policy of its own.
    wrong = {
        name: bad for name, one in answers.items() if (bad := faults(one, policy=name != "file"))
    }
    assert wrong == {}


def test_cookies_are_bound_to_the_host_and_out_of_reach(bench: Bench, production: Any) -> None:
    """`__Host-`: Secure, Path=/, no Domain (RFC 6265bis, 4.1.3.2)."""
    client = Client()
    page = client.get(reverse("sign-in"), secure=True)
    body = {"username": "millrace-owner", "password": PASSWORD}
    answer = client.post(
        reverse("sign-in"), body, secure=True, headers={"Referer": "https://testserver/sign-in/"}
    )
    cookies = {**page.cookies, **answer.cookies}
    assert set(cookies) == {"__Host-csrf", "__Host-session", "__Host-device"}
    for cookie in cookies.values():
        assert cookie["secure"]
        assert cookie["path"] == "/"
        assert not cookie["domain"]
        assert cookie["samesite"] in {"Lax", "Strict"}
    for name in ("__Host-session", "__Host-device"):
        assert cookies[name]["httponly"]


def test_plain_http_is_sent_to_https(bench: Bench, production: Any) -> None:
    answer = Client().get(reverse("sign-in"))
    assert answer.status_code == 301
    assert answer["Location"] == "https://testserver/sign-in/"
