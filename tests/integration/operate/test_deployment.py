"""compose.yaml, Dockerfile and Procfile name what exists: commands, options, variables, no secret.

No container runtime was at hand where this was written; these tests read the files.
"""

import importlib
import os
import re
import shlex
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest
import yaml
from celery.bin.beat import beat
from celery.bin.worker import worker
from django.core.management import get_commands

from config import checks
from config.celery import app
from tests.integration.races.conftest import database_url

ROOT = Path(__file__).resolve().parents[3]
COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "compose.yaml").read_text())
SERVICES: dict[str, Any] = COMPOSE["services"]
OURS = ("prepare", "web", "worker", "beat")
# Read by libraries, not by us.
OUTSIDE = {"DJANGO_SETTINGS_MODULE", "PROMETHEUS_MULTIPROC_DIR"}


def variables_read() -> set[str]:
    """Return the names of the variables the service reads, from where it reads them."""
    read = re.compile(r'env\.(?:text|flag|number|words|required|folder)\(\s*"([A-Z_]+)"')
    places = [*(ROOT / "config").rglob("*.py"), ROOT / "gunicorn.conf.py"]
    return {name for path in places for name in read.findall(path.read_text())}


def procfile() -> dict[str, list[str]]:
    lines = (ROOT / "Procfile").read_text().splitlines()
    return {name: shlex.split(line) for name, _, line in (one.partition(":") for one in lines)}


def commands() -> list[tuple[str, list[str]]]:
    found = [(name, SERVICES[name]["command"]) for name in ("web", "worker", "beat")]
    return found + list(procfile().items())


def test_the_procfile_starts_the_same_three() -> None:
    assert set(procfile()) == {"web", "worker", "beat"}


@pytest.mark.parametrize(("name", "words"), commands())
def test_each_command_exists_and_takes_these_options(name: str, words: list[str]) -> None:
    assert (Path(sys.executable).parent / words[0]).exists()
    if words[0] == "gunicorn":
        assert words == ["gunicorn", "config.wsgi"]
        assert (ROOT / "config/wsgi.py").exists()
        return
    assert words[:4] == ["celery", "-A", "config.celery", name]
    assert importlib.import_module(words[2]).app is app
    takes = {option for one in (beat, worker)[name == "worker"].params for option in one.opts}
    assert {word for word in words if word.startswith("--")} <= takes


def test_what_is_prepared_exists() -> None:
    line = " ".join(SERVICES["prepare"]["command"])
    named = re.findall(r"manage\.py (\w+)", line)
    assert named == ["migrate", "collectstatic"]
    assert set(named) <= set(get_commands())


def test_every_variable_is_read_and_what_production_needs_is_there() -> None:
    stated = set(COMPOSE["x-service"]["environment"])
    assert stated <= variables_read() | OUTSIDE
    assert {"SECRET_KEY", "ALLOWED_HOSTS", "DATABASE_URL", "REDIS_URL", "DATA_DIR"} <= stated
    for name in OURS:
        assert SERVICES[name]["environment"] == COMPOSE["x-service"]["environment"]
    image = dict(re.findall(r"([A-Z_]+)=(\S+)", (ROOT / "Dockerfile").read_text()))
    assert set(image) - {"PYTHONUNBUFFERED"} <= variables_read() | OUTSIDE


def test_no_secret_stands_in_the_files() -> None:
    for service in SERVICES.values():
        for name, value in service.get("environment", {}).items():
            if re.search(r"SECRET|PASSWORD|TOKEN", name):
                assert re.fullmatch(r"\$\{[A-Z_]+:(\?.+|-)\}", value), name
    password = re.search(
        r"://service:([^@]+)@", COMPOSE["x-service"]["environment"]["DATABASE_URL"]
    )
    assert password is not None
    assert password[1].startswith("${POSTGRES_PASSWORD:?")


def test_images_are_pinned_to_a_version() -> None:
    images = [service["image"] for service in SERVICES.values()]
    images += re.findall(r"^FROM (\S+)", (ROOT / "Dockerfile").read_text(), re.MULTILINE)
    assert len(images) == 7
    for image in images:
        assert re.search(r":\d+\.\d+", image), image


def test_each_service_that_stays_says_whether_it_is_well() -> None:
    for name, service in SERVICES.items():
        assert ("healthcheck" in service) == (name != "prepare"), name
    for service in SERVICES.values():
        for needed, how in service.get("depends_on", {}).items():
            assert needed in SERVICES
            if how["condition"] == "service_healthy":
                assert "healthcheck" in SERVICES[needed]


def test_redis_keeps_the_queue_as_the_check_asks() -> None:
    words = SERVICES["redis"]["command"]
    stated = dict(zip(words[1::2], words[2::2], strict=True))
    assert stated == {f"--{name}": value for name, value in checks.REDIS.items()}


def test_what_beat_rings_exists() -> None:
    importlib.import_module("workshop.tasks")
    assert {entry["task"] for entry in app.conf.beat_schedule.values()} <= set(app.tasks)


def test_the_docs_name_files_and_variables_that_exist() -> None:
    text = (ROOT / "docs/scaling.md").read_text()
    named = set(re.findall(r"`([A-Z][A-Z_]{4,})=?[^`]*`", text))
    other = {"POSTGRES_PASSWORD", "WEB_PORT", "ATOMIC_REQUESTS"}
    assert named <= variables_read() | OUTSIDE | other
    assert set(re.findall(r"manage\.py (\w+)", text)) <= set(get_commands())


@pytest.mark.django_db(transaction=True)
def test_figures_are_those_of_all_web_processes(tmp_path: Path) -> None:
    """gunicorn with two processes, as the Procfile starts it: each answers for both."""
    environment = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "config.settings.test",
        "TEST_DATABASE_URL": database_url(),
        "WEB_BIND": "127.0.0.1:8791",
        "PROMETHEUS_MULTIPROC_DIR": str(tmp_path / "figures"),
        "WEB_PROCESSES": "2",
        "WEB_THREADS": "1",
    }
    program = Path(sys.executable).parent / "gunicorn"
    web = subprocess.Popen([program, "config.wsgi"], cwd=ROOT, env=environment)
    try:
        wait_for("http://127.0.0.1:8791/livez")
        asked = 0
        deadline = time.monotonic() + 40
        # Until both have answered; 20 requests at least.
        while asked < 20 or len(list((tmp_path / "figures").glob("histogram_*.db"))) < 2:
            assert time.monotonic() < deadline, "one process answered everything"
            with urllib.request.urlopen("http://127.0.0.1:8791/sign-in/", timeout=20) as answer:
                assert len(answer.headers["X-Request-ID"]) >= 8
            asked += 1
        for _ in range(6):
            text = read("http://127.0.0.1:8791/metrics")
            counted = re.search(r"workshop_request_seconds_count\{.*sign-in.*\} (\S+)", text)
            assert counted is not None
            assert float(counted[1]) == asked
            assert "workshop_database_up 1.0" in text
    finally:
        web.terminate()
        assert web.wait(timeout=30) == 0


def read(address: str) -> str:
    with urllib.request.urlopen(address, timeout=20) as answer:
        return str(answer.read().decode())


def wait_for(address: str, seconds: float = 60) -> None:
    deadline = time.monotonic() + seconds
    while True:
        try:
            read(address)
            return
        except OSError:
            assert time.monotonic() < deadline
            time.sleep(0.2)
