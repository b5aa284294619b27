"""Log lines: one JSON object a line, whatever is logged; nothing but named extras."""

import io
import json
import logging

import pytest

from workshop import log_lines, tracing


@pytest.fixture
def lines() -> tuple[logging.Logger, io.StringIO]:
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(log_lines.JsonLines())
    handler.addFilter(log_lines.CarriesRequestId())
    logger = logging.Logger("bench")
    logger.addHandler(handler)
    return logger, stream


def test_a_line_is_one_object_with_the_id_and_the_time_in_utc(lines) -> None:
    logger, stream = lines
    with tracing.following("req-12345"):
        logger.info("request answered", extra={"view": "jobs", "status": 200, "ms": 1.5})
    found = json.loads(stream.getvalue())
    assert found.pop("time").endswith("+00:00")
    assert found == {
        "level": "INFO",
        "logger": "bench",
        "message": "request answered",
        "request_id": "req-12345",
        "view": "jobs",
        "status": 200,
        "ms": 1.5,
    }


def test_line_breaks_and_errors_stay_within_the_line(lines) -> None:
    logger, stream = lines
    try:
        raise ValueError("two\nlines\r\u2028three")
    except ValueError:
        logger.exception("a name with\na forged line: %s", '{"level": "OK"}')
    text = stream.getvalue()
    assert text.count("\n") == 1
    assert len(text.splitlines()) == 1
    found = json.loads(text)
    assert "ValueError: two" in found["exception"]
    assert found["request_id"] == "-"


def test_what_is_passed_along_unnamed_is_not_written(lines) -> None:
    logger, stream = lines
    logger.error("failed", extra={"request": "Cookie: secret", "password": "secret"})
    assert "secret" not in stream.getvalue()


@pytest.mark.parametrize(("form", "used"), [("json", "json"), ("plain", "plain"), ("xml", "plain")])
def test_the_format_is_chosen_by_setting(form: str, used: str) -> None:
    made = log_lines.configuration(form=form, level="INFO")
    assert made["handlers"]["console"]["formatter"] == used
    assert made["root"]["level"] == "INFO"
