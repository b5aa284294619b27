"""A server others can reach refuses to start with defaults; a workshop's own machine just runs."""

import os
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from django.core.exceptions import ImproperlyConfigured

from tests.factories import Bench
from workshop import startup

ROOT = Path(__file__).resolve().parents[3]
GOOD_KEY = "k9" + "".join(chr(97 + n % 26) for n in range(60))

pytestmark = pytest.mark.any_engine


def manage(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("DJANGO", "SECRET"))}
    return subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=ROOT,
        env={**clean, **environment},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


PROD = {"DJANGO_SETTINGS_MODULE": "config.settings.prod"}


@pytest.mark.parametrize(
    ("environment", "words"),
    [
        ({}, "SECRET_KEY is not set"),
        ({"SECRET_KEY": "insecure-" + GOOD_KEY}, "default or too weak"),
        ({"SECRET_KEY": "short"}, "default or too weak"),
        ({"SECRET_KEY": "a" * 60}, "default or too weak"),
        ({"SECRET_KEY": GOOD_KEY}, "ALLOWED_HOSTS is not set"),
    ],
)
def test_production_refuses_defaults_and_says_the_cure(
    environment: dict[str, str], words: str, tmp_path: Path
) -> None:
    answer = manage("check", **PROD, **environment, DATA_DIR=str(tmp_path), ALLOWED_HOSTS="")
    assert answer.returncode != 0
    assert words in answer.stderr


def test_a_proper_production_start_passes_the_deploy_checks(tmp_path: Path) -> None:
    (tmp_path / "static").mkdir()
    answer = manage(
        "check",
        "--deploy",
        "--fail-level",
        "WARNING",
        **PROD,
        SECRET_KEY=GOOD_KEY,
        ALLOWED_HOSTS="parts.example",
        DATA_DIR=str(tmp_path),
    )
    assert answer.returncode == 0, answer.stderr


@pytest.mark.django_db
def test_demo_sign_ins_are_refused_in_production(bench: Bench, settings) -> None:
    settings.PRODUCTION = True
    startup.refuse_demo_accounts_in_production()
    bench.workshop.is_demo = True
    bench.workshop.save()
    startup.refuse_demo_accounts_in_production()  # their passwords are their own
    user = bench.technician.user
    user.set_password(startup.DEMO_PASSWORD)
    user.save()
    with pytest.raises(ImproperlyConfigured, match=user.username):
        startup.refuse_demo_accounts_in_production()


def test_the_wsgi_entry_asks_the_same(tmp_path: Path) -> None:
    """A production start on a database with demo sign-ins fails before it answers anyone."""
    local = {"DJANGO_SETTINGS_MODULE": "config.settings.local", "DATA_DIR": str(tmp_path)}
    assert manage("migrate", "-v0", **local).returncode == 0
    make = (
        "from workshop.models import *; from workshop.startup import DEMO_PASSWORD as p;"
        "w=Workshop.objects.create(slug='d',name='d',is_demo=True);"
        "u=User.objects.create_user('eve',password=p);"
        "Member.objects.create(workshop=w,user=u,role='owner')"
    )
    assert manage("shell", "-c", make, **local).returncode == 0
    answer = subprocess.run(
        [sys.executable, "-c", "import config.wsgi"],
        cwd=ROOT,
        env={
            **os.environ,
            **PROD,
            "SECRET_KEY": GOOD_KEY,
            "ALLOWED_HOSTS": "parts.example",
            "DATA_DIR": str(tmp_path),
        },
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode != 0
    assert "eve" in answer.stderr


def test_the_demo_is_refused_in_production(settings) -> None:
    from django.core.management import CommandError, call_command

    settings.PRODUCTION = True
    with pytest.raises(CommandError, match="not for production"):
        call_command("demo", no_serve=True)


def test_the_key_of_a_machine_is_made_once_and_kept_private(tmp_path: Path) -> None:
    from config.local_secret import read_or_make

    path = tmp_path / "secret.key"
    first = read_or_make(path)
    assert read_or_make(path) == first
    assert len(first) >= 50
    assert path.stat().st_mode & 0o077 == 0


def test_the_embedded_server_serves_matches_and_stops_at_a_signal(tmp_path: Path) -> None:
    environment = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "config.settings.local",
        "DATA_DIR": str(tmp_path),
    }
    assert "not up to date" in manage("serve", **environment).stderr
    assert manage("migrate", "-v0", **environment).returncode == 0
    process = subprocess.Popen(
        [sys.executable, "manage.py", "serve", "--port", "8790"],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert process.stdout is not None
        address = process.stdout.readline().split()[2]
        assert address.startswith("http://127.0.0.1:")
        with urllib.request.urlopen(f"{address}sign-in/", timeout=20) as answer:
            assert answer.status == 200
            assert "Content-Security-Policy" in answer.headers
        time.sleep(1)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=30) == 0
    finally:
        process.kill()
