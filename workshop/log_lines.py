"""How log lines are written: plain for a person, or one JSON object a line (LOG_FORMAT=json).

Only named extras are written, so that a request, a form or a header never gets into the log by
being passed along.
"""

import json
import logging
import re
from datetime import UTC, datetime
from typing import Any

from workshop import tracing

EXTRAS = (
    *("view", "method", "status", "ms", "event", "event_kind", "delivery", "attempts"),
    *("why", "purse", "user", "member", "by", "role", "active", "scope", "token_id"),  # who gets in
)
FORMATS = ("plain", "json")


class CarriesRequestId(logging.Filter):
    """Adds the id of the request or event a line belongs to; drops Django's lines on probes.

    Django warns of a 4xx or 5xx once the request is done with; the id is then on the request.
    """

    def filter(self, record: logging.LogRecord) -> bool:
        request = getattr(record, "request", None)
        record.request_id = tracing.current() or getattr(request, "request_id", "-")
        return not getattr(request, "is_probe", False)


# Addresses that are secrets: whoever has one joins, reads a member's feed, or stops or confirms
# mails. Written down, not asked of Django: gunicorn logs before it is set up. A test walks the
# routes and fails for one with a token that is missing here.
SECRET_PLACES = ("feeds", "mail/stop", "mail/confirm", "join")
_SLASH = r"(?:/|%(?:25)*2F)"  # also quoted, as in ?next=
_PLACES = "|".join(place.replace("/", _SLASH) for place in SECRET_PLACES)
SECRET_ADDRESSES = re.compile(
    rf"({_SLASH}(?:{_PLACES}){_SLASH})(?:(?!{_SLASH})[^\s?\"'&])+", re.IGNORECASE
)


def without_secrets(text: str) -> str:
    """Return a line or address with the secret part of our secret addresses left out."""
    return SECRET_ADDRESSES.sub(r"\1-", text)


class HidesSecrets(logging.Filter):
    """Leaves secret addresses out of a line: Django's warnings on a 4xx name the path."""

    def filter(self, record: logging.LogRecord) -> bool:
        said = record.getMessage()
        hidden = without_secrets(said)
        if hidden != said:
            record.msg, record.args = hidden, ()
        return True


class PlainLines(logging.Formatter):
    """One line and, where something was raised, its trace, without secret addresses in it."""

    def formatException(self, ei: Any) -> str:
        return without_secrets(super().formatException(ei))


class JsonLines(logging.Formatter):
    """One JSON object a line: time (UTC, RFC 3339), level, logger, message, request_id, extras."""

    def format(self, record: logging.LogRecord) -> str:
        moment = datetime.fromtimestamp(record.created, tz=UTC)
        line: dict[str, Any] = {
            "time": moment.isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
            "request_id": getattr(record, "request_id", "-"),
        }
        line |= {name: getattr(record, name) for name in EXTRAS if hasattr(record, name)}
        if record.exc_info:
            line["exception"] = without_secrets(self.formatException(record.exc_info))
        return json.dumps(line, ensure_ascii=True, default=str)


def configuration(*, form: str, level: str) -> dict[str, Any]:
    """Return Django's LOGGING for a format and a level. An unknown format is written plain."""
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "filters": {
            "request_id": {"()": "workshop.log_lines.CarriesRequestId"},
            "no_secrets": {"()": "workshop.log_lines.HidesSecrets"},
        },
        "formatters": {
            "plain": {
                "()": "workshop.log_lines.PlainLines",
                "format": "%(asctime)s %(levelname)s %(name)s [%(request_id)s] %(message)s",
            },
            "json": {"()": "workshop.log_lines.JsonLines"},
        },
        "handlers": {
            "console": {
                "class": "logging.StreamHandler",
                "formatter": form if form in FORMATS else "plain",
                "filters": ["request_id", "no_secrets"],
            }
        },
        # A line for every ring of the doorbell says nothing.
        "loggers": {"celery": {"level": "WARNING"}, "kombu": {"level": "WARNING"}},
        "root": {"handlers": ["console"], "level": level},
    }
