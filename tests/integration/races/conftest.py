"""Races run in real processes on a database of their own, on the engine under test."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from tests.integration.races.sizes import PATIENCE

Race = Callable[[list[dict[str, Any]]], list[dict[str, int]]]


def database_url() -> str:
    """Return the address of the test database this process works on."""
    settings = connection.settings_dict
    if connection.vendor == "sqlite":
        return f"sqlite:///{settings['NAME']}"
    host, port = settings["HOST"] or "127.0.0.1", settings["PORT"] or 5432
    return f"postgres://{settings['USER']}@{host}:{port}/{settings['NAME']}"


@pytest.fixture
def two_writers(transactional_db: None) -> None:
    """Skip where a collision of two writers cannot be forced."""
    if connection.vendor == "sqlite":
        pytest.skip("SQLite lets one writer in at a time")


@pytest.fixture
def race(transactional_db: None, tmp_path: Path) -> Iterator[Race]:
    """Run orders in processes at once; returns what each printed. Their errors are errors."""
    started: list[subprocess.Popen[str]] = []

    def run(orders: list[dict[str, Any]]) -> list[dict[str, int]]:
        folder = tmp_path / f"barrier{len(started)}"
        folder.mkdir()
        environment = {
            **os.environ,
            "TEST_DATABASE_URL": database_url(),
            "RACE_VENDOR": connection.vendor,
        }
        here = [
            subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "tests.integration.races.workers",
                    json.dumps({"folder": str(folder), "people": len(orders), **order}),
                ],
                env={**environment, "RACER": str(number)},
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            for number, order in enumerate(orders)
        ]
        started.extend(here)
        answers = [process.communicate(timeout=PATIENCE) for process in here]
        for process, (_, errors) in zip(here, answers, strict=True):
            sys.stderr.write(errors)  # shown when the test fails
            assert process.returncode == 0, errors
        return [json.loads(printed) for printed, _ in answers]

    yield run
    for process in started:
        process.kill()
