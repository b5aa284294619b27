"""The only place that reads environment variables, with a cure in every complaint."""

import os
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured


def text(name: str, default: str = "") -> str:
    """Return the variable as text, stripped; `default` when unset or blank."""
    return os.environ.get(name, "").strip() or default


def flag(name: str, *, default: bool = False) -> bool:
    """Return True for 1/true/yes/on, False for 0/false/no/off."""
    found = text(name).lower()
    if not found:
        return default
    if found in {"1", "true", "yes", "on"}:
        return True
    if found in {"0", "false", "no", "off"}:
        return False
    raise ImproperlyConfigured(f"{name} is {found!r}; set it to 1 or 0, or leave it out.")


def number(name: str, default: int) -> int:
    """Return the variable as a whole number."""
    found = text(name)
    if not found:
        return default
    try:
        return int(found)
    except ValueError as bad:
        raise ImproperlyConfigured(f"{name} is {found!r}; set it to a whole number.") from bad


def words(name: str, default: str = "") -> list[str]:
    """Return a comma-separated variable as a list without blanks."""
    return [word.strip() for word in text(name, default).split(",") if word.strip()]


def required(name: str, *, cure: str) -> str:
    """Return the variable or refuse to start, saying what to do."""
    found = text(name)
    if not found:
        raise ImproperlyConfigured(f"{name} is not set. {cure}")
    return found


def folder(name: str, default: Path) -> Path:
    """Return the variable as a folder path; relative paths count from the project."""
    return Path(text(name, str(default))).expanduser()
