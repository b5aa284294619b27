"""The addresses that are secrets (feeds, links in mails) stand in no log of ours."""

import contextlib
import datetime
import json
import logging
import re
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, get_resolver
from gunicorn.config import Config
from gunicorn.http.errors import InvalidRequestLine
from gunicorn.workers.base import Worker

from config.server_log import ServerLog
from tests.factories import Bench
from workshop.log_lines import HidesSecrets, JsonLines, PlainLines, without_secrets

pytestmark = pytest.mark.any_engine
TOKEN = "kJ3-secret_of-a-feed"


def routes(patterns: Any, before: str = "") -> Iterator[str]:
    for one in patterns:
        here = before + str(one.pattern)
        if isinstance(one, URLPattern):
            yield here
        else:
            yield from routes(one.url_patterns, here)


def test_no_route_with_a_token_is_forgotten() -> None:
    secret = [one for one in routes(get_resolver().url_patterns) if ":token>" in one]
    assert len(secret) >= 4
    for route in secret:
        address = "/" + re.sub(r"<[^>]*token>", TOKEN, route)
        assert TOKEN in address
        assert TOKEN not in without_secrets(address), route


@pytest.mark.parametrize("place", ["/feeds/", "/mail/stop/", "/mail/confirm/", "/join/"])
@pytest.mark.parametrize("around", ["{}", "GET {} HTTP/1.1", 'https://bench.example{} "x"', "{}?a"])
def test_the_token_is_left_out_wherever_it_stands(place: str, around: str) -> None:
    said = around.format(f"{place}{TOKEN}/")
    assert TOKEN not in without_secrets(said)
    assert place in without_secrets(said)


@pytest.mark.parametrize(
    "said",
    [
        f"/sign-in/?next=/join/{TOKEN}/",
        f"/sign-in/?next=%2Fjoin%2F{TOKEN}%2F&a=1",
        f"/x/?next=%252fmail%252fconfirm%252f{TOKEN}%3A1x%3A{TOKEN}",
    ],
)
def test_nor_is_it_left_in_where_to_go_on(said: str) -> None:
    assert TOKEN not in without_secrets(said)


@pytest.mark.django_db
def test_a_refused_joining_does_not_name_its_link(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    _, token = bench.invitation("owner")
    caplog.handler.addFilter(HidesSecrets())
    with caplog.at_level(logging.INFO):
        answer = Client().post(f"/join/{token}/", {"username": "x", "password": "short"})
    assert answer.status_code == 400
    assert "/join/-" in caplog.text  # it is written of
    assert token not in caplog.text


def test_other_addresses_stay_as_they_are() -> None:
    for said in ("GET /donors/D-0042/ HTTP/1.1", "/feeds/", "/mail/", "nothing"):
        assert without_secrets(said) == said


@pytest.mark.django_db
def test_django_s_warning_on_a_feed_that_is_gone_does_not_name_it(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.handler.addFilter(HidesSecrets())
    with caplog.at_level(logging.WARNING, logger="django.request"):
        assert Client().get(f"/feeds/{TOKEN}/").status_code == 404
    assert caplog.records  # it does warn
    assert TOKEN not in caplog.text


def test_the_access_log_of_the_web_server_does_not_name_it() -> None:
    line = f"/feeds/{TOKEN}/"
    request = SimpleNamespace(
        method="GET", uri=line, version=(1, 1), path=line, query="", headers=[]
    )
    headers = [("REFERER", f"https://bench.example/mail/stop/{TOKEN}/")]
    request.headers = headers
    answer = SimpleNamespace(status="200 OK", sent=1, response_length=1, headers=[])
    environ = {
        "REQUEST_METHOD": "GET",
        "RAW_URI": line,
        "SERVER_PROTOCOL": "HTTP/1.1",
        "PATH_INFO": line,
        "HTTP_REFERER": headers[0][1],
    }
    log = ServerLog(Config())
    atoms = log.atoms(answer, request, environ, datetime.timedelta(seconds=1))
    named = {name: value for name, value in atoms.items() if TOKEN in str(value)}
    assert named == {}


@pytest.mark.parametrize("exc", [InvalidRequestLine(f"GET /feeds/{TOKEN}/ HTTP"), KeyError("x")])
def test_the_error_log_of_the_web_server_does_not_name_it(exc: Exception, tmp_path: Path) -> None:
    """What gunicorn itself writes of a request it cannot read, or whose handling failed."""
    config = Config()
    config.set("errorlog", str(tmp_path / "errors"))
    log = ServerLog(config)
    worker = Worker.__new__(Worker)
    worker.cfg, worker.log = config, log
    near, far = socket.socketpair()
    with near, far:
        request = SimpleNamespace(method="GET", uri=f"/mail/stop/{TOKEN}/")
        log.access = lambda *_: None
        try:
            raise exc
        except Exception as raised:
            with contextlib.suppress(AttributeError):  # it goes on to answer the request
                worker.handle_error(request, near, ("192.0.2.1", 1), raised)
    for handler in log.error_log.handlers:
        handler.flush()
    written = (tmp_path / "errors").read_text()
    assert "/feeds/-" in written or "/mail/stop/-" in written  # it is written of
    assert TOKEN not in written


@pytest.mark.parametrize("form", [PlainLines("%(message)s"), JsonLines()])
def test_a_trace_does_not_name_it(form: logging.Formatter) -> None:
    try:
        raise ValueError(f'no page "/feeds/{TOKEN}"')
    except ValueError:
        trace = sys.exc_info()
    line = form.format(logging.LogRecord("x", logging.ERROR, "", 1, "failed", (), trace))
    assert "/feeds/-" in line
    assert TOKEN not in line
    if isinstance(form, JsonLines):
        assert "/feeds/-" in json.loads(line)["exception"]
