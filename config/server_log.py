"""gunicorn's own logs without the addresses that are secrets.

Its error log names the address of a request that cannot be read or whose handling fails; its
access log, where somebody switches it on, every address.
"""

import logging
from typing import Any

from gunicorn.glogging import Logger

from workshop.log_lines import without_secrets


class WithoutSecrets(logging.Formatter):
    """Writes a line as another formatter does, and leaves secrets out of all of it: traces too."""

    def __init__(self, inner: logging.Formatter) -> None:
        super().__init__()
        self.inner = inner

    def format(self, record: logging.LogRecord) -> str:
        return without_secrets(self.inner.format(record))


class ServerLog(Logger):  # type: ignore[misc]
    """As gunicorn's own; the token of a feed or a mail's link is left out."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        for log in (self.error_log, self.access_log):
            for handler in log.handlers:
                if not isinstance(handler.formatter, WithoutSecrets):
                    handler.setFormatter(WithoutSecrets(handler.formatter or logging.Formatter()))

    def atoms(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        found: dict[str, Any] = super().atoms(*args, **kwargs)
        return {
            name: without_secrets(value) if isinstance(value, str) else value
            for name, value in found.items()
        }
