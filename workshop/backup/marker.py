"""A mark that stands while a restore changes things, so that nobody starts on half of one."""

from pathlib import Path

from django.conf import settings

NAME = "restore.unfinished"


def path() -> Path:
    return Path(settings.DATA_DIR) / NAME


def is_set() -> bool:
    return path().exists()


def put() -> None:
    path().write_text("A restore is under way, or was cut off.\n", encoding="utf-8")


def take_away() -> None:
    path().unlink(missing_ok=True)
