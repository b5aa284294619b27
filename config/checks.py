"""What must be set for the promises to hold, checked at start-up: each fault with its cure.

`manage.py` runs these before most commands; the web and worker entries, which Django checks by
itself not at all, run them through `workshop.startup.refuse_bad_settings`.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from django.conf import settings
from django.core import checks
from django.db import OperationalError, connections

from workshop import log_lines
from workshop.backup import marker
from workshop.startup import OPERATE

SHORTEST_TOKEN = 20

# What SQLite must answer, and what the answer means (measured reasons: docs/scaling.md).
PRAGMAS = {
    "journal_mode": ("wal", "readers would wait for writers"),
    "synchronous": (2, "a power cut could take what was acknowledged"),
    "foreign_keys": (1, "rows could point at nothing"),
    "secure_delete": (1, "what is erased would stay readable in the file"),
}

# The queue is a doorbell: these let it be lost, doubled or silent without harm (docs/adr/0003).
CELERY: dict[str, Any] = {
    "accept_content": ["json"],
    "task_serializer": "json",
    "task_ignore_result": True,
    "task_acks_late": True,
    "task_reject_on_worker_lost": True,
    "worker_prefetch_multiplier": 1,
    "task_time_limit": 30,
    "worker_soft_shutdown_timeout": 20,
    "worker_enable_soft_shutdown_on_idle": True,
    "visibility_timeout": 60,
    "result_backend_transport_options": {"visibility_timeout": 60},
    "broker_transport_options": {
        "visibility_timeout": 60,
        "unacked_restore_interval": 5,
        "unacked_restore_throttle": 1,
        "socket_timeout": 2,
        "socket_connect_timeout": 2,
    },
}
REDIS = {"appendonly": "yes", "appendfsync": "everysec", "maxmemory-policy": "noeviction"}

Found = list[checks.CheckMessage]


@checks.register(OPERATE)
def database_is_set_up(app_configs: Any = None, **_: Any) -> Found:
    """Check how transactions begin, on the database that is set."""
    return database_faults(settings.DATABASES["default"])


def database_faults(database: Mapping[str, Any]) -> Found:
    """Return what is wrong with one entry of DATABASES."""
    found: Found = []
    if database.get("ATOMIC_REQUESTS"):
        found.append(
            checks.Error(
                "ATOMIC_REQUESTS is on: every page would wait for whoever writes.",
                hint="Take ATOMIC_REQUESTS out of DATABASES; services open transactions.",
                id="operate.E001",
            )
        )
    options = database.get("OPTIONS", {})
    if database["ENGINE"].endswith("sqlite3"):
        return found + _sqlite_faults(options)
    level = options.get("isolation_level")
    if level is not None and getattr(level, "name", level) != "READ_COMMITTED":
        found.append(
            checks.Error(
                f"PostgreSQL's isolation level is set to {level}: a job and its donor that commit "
                "together could miss each other, and holds would fail.",
                hint="Take isolation_level out of OPTIONS; READ COMMITTED is the default.",
                id="operate.E005",
            )
        )
    return found


def _sqlite_faults(options: Mapping[str, Any]) -> Found:
    found: Found = []
    if options.get("transaction_mode") != "IMMEDIATE":
        found.append(
            checks.Error(
                "SQLite transactions do not begin IMMEDIATE: writes fail half-way.",
                hint='Set OPTIONS["transaction_mode"] = "IMMEDIATE" (config/settings/base.py).',
                id="operate.E002",
            )
        )
    if options.get("timeout") != 20:
        found.append(
            checks.Error(
                f"SQLite waits {options.get('timeout', 5)} s for the write lock, not 20.",
                hint='Set OPTIONS["timeout"] = 20 (config/settings/base.py).',
                id="operate.E003",
            )
        )
    return found


@checks.register(checks.Tags.database, OPERATE)
def sqlite_keeps_what_it_acknowledges(
    app_configs: Any = None, databases: Iterable[str] | None = None, **_: Any
) -> Found:
    """Ask the open database for its pragmas: what counts is what is in force."""
    if not databases or connections["default"].vendor != "sqlite":
        return []
    try:
        answers = {name: _pragma(name) for name in PRAGMAS}
    except OperationalError as away:
        hint = "Check that DATA_DIR exists, can be written to and lies on a disk of this machine."
        return [checks.Error(f"SQLite cannot be opened: {away}.", hint=hint, id="operate.E004")]
    return pragma_faults(answers)


def _pragma(name: str) -> Any:
    with connections["default"].cursor() as cursor:
        cursor.execute(f"PRAGMA {name}")
        return cursor.fetchone()[0]


def pragma_faults(answers: Mapping[str, Any]) -> Found:
    """Return what is wrong with the pragmas in force."""
    return [
        checks.Error(
            f"SQLite's {name} is {answers[name]}, not {wanted}: {why}.",
            hint="Set it in init_command (config/settings/base.py); WAL needs a local disk.",
            id="operate.E004",
        )
        for name, (wanted, why) in PRAGMAS.items()
        if answers[name] != wanted
    ]


@checks.register(OPERATE)
def queue_is_set_up(app_configs: Any = None, **_: Any) -> Found:
    """Check the queue's settings where there is one."""
    if not settings.REDIS_URL:
        return []
    from config.celery import app

    return celery_faults(app.conf) + beside_queue_faults(settings.DATABASES["default"])


def beside_queue_faults(database: Mapping[str, Any]) -> Found:
    """Return what speaks against a queue beside this entry of DATABASES."""
    if not database["ENGINE"].endswith("sqlite3"):
        return []
    return [
        checks.Warning(
            "REDIS_URL is set beside SQLite: workers of one machine only can share the file.",
            hint="Set DATABASE_URL to a PostgreSQL database, or leave REDIS_URL out and run "
            "manage.py serve.",
            id="operate.W008",
        )
    ]


def celery_faults(conf: Any) -> Found:
    """Return which settings of the queue differ from those the fault tests were made with."""
    found: Found = [
        checks.Error(
            f"Celery's {name} is {getattr(conf, name)!r}, not {wanted!r}.",
            hint="Set it in config/celery.py; the reasons stand in docs/adr/0003.",
            id="operate.E006",
        )
        for name, wanted in CELERY.items()
        if not _is_as_wanted(getattr(conf, name), wanted)
    ]
    limit = conf.task_time_limit
    seen_again = (conf.broker_transport_options or {}).get("visibility_timeout")
    if not limit or not seen_again or limit > seen_again / 2:
        found.append(
            checks.Error(
                f"A task may run {limit} s, more than half of the {seen_again} s after which "
                "Redis gives it to another worker as well.",
                hint="Keep task_time_limit at half the visibility_timeout or below.",
                id="operate.E007",
            )
        )
    return found


def _is_as_wanted(value: Any, wanted: Any) -> bool:
    if isinstance(wanted, dict):
        return isinstance(value, dict) and {**value, **wanted} == value
    return bool(value == wanted)


@checks.register(OPERATE, deploy=True)
def redis_keeps_the_queue(app_configs: Any = None, **_: Any) -> Found:
    """Ask Redis whether it writes the queue down and never throws a part of it away."""
    if not settings.REDIS_URL:
        return []
    import redis

    try:
        server = redis.Redis.from_url(
            settings.REDIS_URL, socket_timeout=2, socket_connect_timeout=2, decode_responses=True
        )
        answers: dict[str, str] = {}
        for name in REDIS:
            answers[name] = str(server.config_get(name).get(name))
    except redis.RedisError as away:
        return [
            checks.Warning(
                f"Redis cannot be asked how it keeps the queue ({type(away).__name__}).",
                hint="Start it, or see to " + _redis_lines() + " where CONFIG is not allowed.",
                id="operate.W009",
            )
        ]
    return redis_faults(answers)


def redis_faults(answers: Mapping[str, str]) -> Found:
    """Return what is wrong with how Redis keeps the queue. Nothing is lost by it, only late."""
    return [
        checks.Warning(
            f"Redis has {name} {answers.get(name)}, not {wanted}.",
            hint="Start it with " + _redis_lines() + ".",
            id="operate.W009",
        )
        for name, wanted in REDIS.items()
        if answers.get(name) != wanted
    ]


def _redis_lines() -> str:
    return " ".join(f"--{name} {value}" for name, value in REDIS.items())


@checks.register(OPERATE)
def operating_is_set_up(app_configs: Any = None, **_: Any) -> Found:
    """Check what operating is told by variables, and that no restore was cut off."""
    found: Found = []
    if settings.LOG_FORMAT not in log_lines.FORMATS:
        found.append(
            checks.Error(
                f"LOG_FORMAT is {settings.LOG_FORMAT!r}.",
                hint=f"Set it to {' or '.join(log_lines.FORMATS)}, or leave it out.",
                id="operate.E010",
            )
        )
    if 0 < len(settings.METRICS_TOKEN) < SHORTEST_TOKEN:
        found.append(
            checks.Error(
                f"METRICS_TOKEN is shorter than {SHORTEST_TOKEN} characters.",
                hint="Make one: python -c 'import secrets; print(secrets.token_urlsafe(30))'.",
                id="operate.E011",
            )
        )
    if settings.KEEP_EVENTS_DAYS < 1:
        found.append(
            checks.Error(
                f"KEEP_EVENTS_DAYS is {settings.KEEP_EVENTS_DAYS}: events would go when done.",
                hint="Set it to a whole number of days, at least 1, or leave it out (90).",
                id="operate.E013",
            )
        )
    if marker.is_set():
        found.append(
            checks.Error(
                "A restore was cut off: the files and the database may not belong together.",
                hint=f"Run manage.py restore with --replace again. The mark is {marker.path()}.",
                id="operate.E012",
            )
        )
    return found
