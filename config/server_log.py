"""gunicorn's access log, where somebody switches it on: without the addresses that are secrets."""

from typing import Any

from gunicorn.glogging import Logger

from workshop.log_lines import without_secrets


class AccessLog(Logger):  # type: ignore[misc]
    """As gunicorn's own; the token of a feed or a mail's link is left out."""

    def atoms(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        found: dict[str, Any] = super().atoms(*args, **kwargs)
        return {
            name: without_secrets(value) if isinstance(value, str) else value
            for name, value in found.items()
        }
