"""Races run in real processes on a database of their own, on the engine under test."""

import itertools
import json
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from tests.integration.races.starting import StartingBlock

Race = Callable[[list[dict[str, Any]]], list[dict[str, int]]]
Blocks = Callable[[dict[str, str]], StartingBlock]


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


@pytest.fixture(scope="session")
def starting_blocks() -> Iterator[Blocks]:
    """Hand out the process that racers are forked from; another one where its environment is."""
    blocks: dict[str, StartingBlock] = {}

    def of(environment: dict[str, str]) -> StartingBlock:
        key = json.dumps(environment, sort_keys=True)
        if key not in blocks:
            blocks[key] = StartingBlock(environment)
        return blocks[key]

    yield of
    for one in blocks.values():
        one.end()


@pytest.fixture
def race(transactional_db: None, tmp_path: Path, starting_blocks: Blocks) -> Iterator[Race]:
    """Run orders in processes at once; returns what each printed. Their errors are errors."""
    folders = itertools.count()
    running: list[StartingBlock] = []

    def run(orders: list[dict[str, Any]]) -> list[dict[str, int]]:
        folder = tmp_path / f"barrier{next(folders)}"
        folder.mkdir()
        changing = {"PYTEST_CURRENT_TEST", "RACER"}
        kept = {name: value for name, value in os.environ.items() if name not in changing}
        block = starting_blocks(
            {**kept, "TEST_DATABASE_URL": database_url(), "RACE_VENDOR": connection.vendor}
        )
        running.append(block)
        told = {"folder": str(folder), "people": len(orders)}
        ended = block.race(folder, [{**told, **order} for order in orders])
        for number, status in enumerate(ended):
            errors = (folder / f"err-{number}").read_text()
            sys.stderr.write(errors)  # shown when the test fails
            assert status == 0, errors
        return [json.loads((folder / f"out-{n}").read_text()) for n in range(len(orders))]

    yield run
    for block in running:
        block.kill_racers()
