"""The load driver itself: a small world, a few seconds, every kind of request answered.

Figures are `make load`'s; here none decides anything.
"""

import os
import subprocess
from pathlib import Path

import psycopg
import pytest
from django.db import connection
from psycopg import sql

from tests.integration.races.conftest import database_url
from tests.load.driving import MIX
from tests.running import PYTHON, ROOT

SMALL = ["--parts", "2000", "--workshops", "2", "--rate", "8", "--seconds", "6", "--warm", "0.5"]


@pytest.mark.django_db(transaction=True)
@pytest.mark.xdist_group("faults")
@pytest.mark.redis
def test_a_small_load_is_carried(tmp_path: Path) -> None:
    """Embedded on SQLite, scaled out on PostgreSQL; no request unanswered, no alert missing."""
    where = ["--embedded"] if connection.vendor == "sqlite" else []
    # It chooses its own settings, of a service; ours are those of tests.
    environment = {k: v for k, v in os.environ.items() if k != "DJANGO_SETTINGS_MODULE"}
    environment["LOAD_POSTGRES_URL"] = database_url()
    ended = subprocess.run(
        [PYTHON, "-m", "tests.load", *SMALL, *where, "--folder", str(tmp_path)],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    if connection.vendor == "postgresql":
        with psycopg.connect(
            f"{database_url().rpartition('/')[0]}/postgres", autocommit=True
        ) as db:
            name = sql.Identifier(f"{connection.settings_dict['NAME']}_load")
            db.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(name))
    assert ended.returncode == 0, ended.stdout + ended.stderr
    rows = [line.split("|") for line in ended.stdout.splitlines() if line.startswith("|")]
    answered = {cells[1].strip(): int(cells[2]) for cells in rows[2:]}
    # What is rare may not have come up in so few.
    assert {"find a part (page)", "find a part (API)", "job page", "donor page"} <= set(answered)
    assert set(answered) - {"**find a part, all**", "all requests", "**arrival to inbox**"} <= set(
        MIX
    )
    assert answered["all requests"] >= 40
