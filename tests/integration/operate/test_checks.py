"""Each check at start-up fails when what it looks after is broken, and says the cure."""

import copy
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.core import checks
from django.core.exceptions import ImproperlyConfigured
from django.db import connection

from config import checks as ours
from config.celery import app
from config.settings.base import database, sqlite
from workshop import startup
from workshop.backup import marker

ROOT = Path(__file__).resolve().parents[3]
SQLITE = sqlite(Path("x.sqlite3"))
POSTGRES = {"ENGINE": "django.db.backends.postgresql", "OPTIONS": {}}


def ids(found: list[checks.CheckMessage]) -> list[str]:
    assert all(one.hint and one.msg for one in found)
    return [str(one.id) for one in found]


def test_the_settings_as_they_are_pass() -> None:
    assert ours.database_faults(SQLITE) == []
    assert ours.database_faults(database("postgres://u@h/d")) == []
    assert ours.celery_faults(app.conf) == []
    assert ours.operating_is_set_up() == []


@pytest.mark.parametrize(
    ("base", "broken", "fault"),
    [
        (SQLITE, {"ATOMIC_REQUESTS": True}, "operate.E001"),
        (POSTGRES, {"ATOMIC_REQUESTS": True}, "operate.E001"),
        (SQLITE, {"transaction_mode": "DEFERRED"}, "operate.E002"),
        (SQLITE, {"transaction_mode": None}, "operate.E002"),
        (SQLITE, {"timeout": 5}, "operate.E003"),
        (POSTGRES, {"isolation_level": "SERIALIZABLE"}, "operate.E005"),
        (POSTGRES, {"isolation_level": SimpleNamespace(name="REPEATABLE_READ")}, "operate.E005"),
    ],
)
def test_a_broken_database_setting_is_found(
    base: dict[str, Any], broken: dict[str, Any], fault: str
) -> None:
    stated = copy.deepcopy(base)
    (stated if "ATOMIC_REQUESTS" in broken else stated["OPTIONS"]).update(broken)
    assert ids(ours.database_faults(stated)) == [fault]


@pytest.mark.parametrize(
    ("pragma", "bad"),
    [("journal_mode", "delete"), ("synchronous", 1), ("foreign_keys", 0), ("secure_delete", 0)],
)
def test_a_pragma_that_is_not_in_force_is_found(pragma: str, bad: Any) -> None:
    good = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "secure_delete": 1}
    assert ours.pragma_faults(good) == []
    assert ids(ours.pragma_faults({**good, pragma: bad})) == ["operate.E004"]


@pytest.mark.django_db(transaction=True)
def test_a_pragma_put_off_is_found_on_the_open_database() -> None:
    if connection.vendor != "sqlite":
        pytest.skip("pragmas are SQLite's")
    assert ours.sqlite_keeps_what_it_acknowledges(databases=["default"]) == []
    startup.refuse_bad_settings()
    connection.connection.execute("PRAGMA synchronous=NORMAL")
    try:
        found = ours.sqlite_keeps_what_it_acknowledges(databases=["default"])
        assert ids(found) == ["operate.E004"]
        with pytest.raises(ImproperlyConfigured, match="synchronous is 1, not 2"):
            startup.refuse_bad_settings()
    finally:
        connection.close()


QUEUE: list[tuple[str, Any]] = [
    ("accept_content", ["json", "pickle"]),
    ("task_serializer", "pickle"),
    ("task_ignore_result", False),
    ("task_acks_late", False),
    ("task_reject_on_worker_lost", False),
    ("worker_prefetch_multiplier", 4),
    ("worker_soft_shutdown_timeout", 0),
    ("worker_enable_soft_shutdown_on_idle", False),
    ("visibility_timeout", 3600),
    ("result_backend_transport_options", {}),
]


def conf(**broken: Any) -> SimpleNamespace:
    kept = {name: copy.deepcopy(getattr(app.conf, name)) for name in ours.CELERY}
    return SimpleNamespace(**{**kept, **broken})


@pytest.mark.parametrize(("name", "bad"), QUEUE)
def test_a_broken_queue_setting_is_found(name: str, bad: Any) -> None:
    found = ours.celery_faults(conf(**{name: bad}))
    assert ids(found) == ["operate.E006"]
    assert name in found[0].msg


def test_every_queue_setting_is_broken_once_here() -> None:
    apart = {"task_time_limit", "broker_transport_options"}
    assert {name for name, _ in QUEUE} == set(ours.CELERY) - apart


@pytest.mark.parametrize("name", ours.CELERY["broker_transport_options"])
def test_a_broken_transport_option_is_found(name: str) -> None:
    options = {**app.conf.broker_transport_options}
    del options[name]
    found = ids(ours.celery_faults(conf(broker_transport_options=options)))
    assert "operate.E006" in found
    assert ("operate.E007" in found) == (name == "visibility_timeout")


@pytest.mark.parametrize("limit", [31, None])
def test_a_task_that_may_outlast_half_its_visibility_is_found(limit: int | None) -> None:
    assert ids(ours.celery_faults(conf(task_time_limit=limit))) == ["operate.E006", "operate.E007"]


def test_a_queue_beside_sqlite_is_warned_of(settings) -> None:
    assert ids(ours.beside_queue_faults(SQLITE)) == ["operate.W008"]
    assert ours.beside_queue_faults(POSTGRES) == []
    assert ours.queue_is_set_up() == []
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    on_sqlite = connection.vendor == "sqlite"
    assert ids(ours.queue_is_set_up()) == (["operate.W008"] if on_sqlite else [])


def test_how_redis_keeps_the_queue_is_warned_of(settings) -> None:
    good = {"appendonly": "yes", "appendfsync": "everysec", "maxmemory-policy": "noeviction"}
    assert ours.redis_faults(good) == []
    for name in good:
        assert ids(ours.redis_faults({**good, name: "other"})) == ["operate.W009"]
    settings.REDIS_URL = "redis://127.0.0.1:1/0"  # nobody listens there
    assert ids(ours.redis_keeps_the_queue()) == ["operate.W009"]


def test_what_variables_tell_is_checked(settings) -> None:
    settings.LOG_FORMAT = "xml"
    settings.METRICS_TOKEN = "short"
    assert ids(ours.operating_is_set_up()) == ["operate.E010", "operate.E011"]


def test_a_restore_that_was_cut_off_stops_the_start(settings, tmp_path: Path) -> None:
    settings.DATA_DIR = tmp_path
    marker.put()
    assert ids(ours.operating_is_set_up()) == ["operate.E012"]
    marker.take_away()
    assert ours.operating_is_set_up() == []


def test_the_checks_run_with_every_command_and_at_the_entries() -> None:
    registered = {check.__name__ for check in checks.registry.registry.get_checks()}
    assert {"database_is_set_up", "queue_is_set_up", "operating_is_set_up"} <= registered
    assert "refuse_bad_settings" in (ROOT / "config/wsgi.py").read_text()
    assert "refuse_bad_settings" in (ROOT / "config/celery.py").read_text()


def test_nothing_waits_in_the_queue_for_later() -> None:
    """A long task or one for later would run several times (measured; docs/adr/0003)."""
    later = re.compile(r"\b(eta|countdown)\s*=|\.retry\(|apply_async\(")
    for planted in ("call(eta=soon)", "call(countdown = 20)", "self.retry()", "x.apply_async()"):
        assert later.search(planted)
    for app_name in ("workshop", "donors", "parts", "matching", "config"):
        for path in (ROOT / app_name).rglob("*.py"):
            assert not later.search(path.read_text(encoding="utf-8")), path
