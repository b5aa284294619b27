"""The addresses that are secrets (feeds, links in mails) stand in no log of ours."""

import contextlib
import datetime
import json
import logging
import socket
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from django.test import Client
from gunicorn.config import Config
from gunicorn.http.errors import InvalidRequestLine
from gunicorn.workers.base import Worker

from config.server_log import ServerLog
from workshop.log_lines import HidesSecrets, JsonLines, PlainLines, without_secrets

pytestmark = pytest.mark.any_engine
TOKEN = "kJ3-secret_of-a-feed"


@pytest.mark.parametrize("place", ["/feeds/", "/mail/stop/", "/mail/confirm/"])
@pytest.mark.parametrize("around", ["{}", "GET {} HTTP/1.1", 'https://bench.example{} "x"', "{}?a"])
def test_the_token_is_left_out_wherever_it_stands(place: str, around: str) -> None:
    said = around.format(f"{place}{TOKEN}/")
    assert TOKEN not in without_secrets(said)
    assert place in without_secrets(said)


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
