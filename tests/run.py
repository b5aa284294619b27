"""Run the tests on every engine that answers: SQLite always, PostgreSQL where there is one.

`make test` calls this. In CI (CI=true) an engine that does not answer is a failure; elsewhere
it is one clear line. Arguments are passed on to pytest.
"""

import os
import subprocess
import sys

import psycopg
import redis

POSTGRES = os.environ.get("TEST_POSTGRES_URL", "postgres://postgres@127.0.0.1:5432/test")
REDIS = os.environ.get("TEST_REDIS_URL", "redis://127.0.0.1:6379/9")
IN_CI = os.environ.get("CI", "").lower() in {"1", "true"}


def postgres_answers() -> str:
    """Return "" when PostgreSQL answers, else why not."""
    try:
        psycopg.connect(POSTGRES, connect_timeout=3).close()
    except psycopg.Error as away:
        return str(away).strip().splitlines()[0]
    return ""


def redis_answers() -> str:
    """Return "" when Redis answers, else why not."""
    try:
        redis.Redis.from_url(REDIS, socket_connect_timeout=3).ping()
    except redis.RedisError as away:
        return str(away)
    return ""


def pytest(environment: dict[str, str], arguments: list[str]) -> int:
    # Three for two cores: tests with processes of their own wait more than they work.
    command = [sys.executable, "-m", "pytest", "-n", "3", "--dist", "loadgroup", *arguments]
    return subprocess.run(command, env={**os.environ, **environment}, check=False).returncode


def main(arguments: list[str]) -> int:
    no_postgres, no_redis = postgres_answers(), redis_answers()
    for name, why in (("PostgreSQL", no_postgres), ("Redis", no_redis)):
        if why:
            print(f"{name} does not answer ({why}); its tests are skipped.", flush=True)
    if IN_CI and (no_postgres or no_redis):
        print("In CI a skipped server is a failure.")
        return 1
    servers = {"TEST_REDIS_URL": "" if no_redis else REDIS}
    print("== SQLite", flush=True)
    worst = pytest({**servers, "TEST_DATABASE_URL": ""}, arguments)
    if not no_postgres:
        print("== PostgreSQL", flush=True)
        on_postgres = [*arguments, "--ignore=tests/unit", "-m", "not speed and not any_engine"]
        worst = pytest({**servers, "TEST_DATABASE_URL": POSTGRES}, on_postgres) or worst
    return worst


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
