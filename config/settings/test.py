"""Tests: a fast hasher, and the database named by TEST_DATABASE_URL (SQLite when blank)."""

import tempfile
from pathlib import Path

from config import env
from config.settings.base import *  # noqa: F403
from config.settings.base import database, sqlite

SECRET_KEY = "only-for-tests-" + "0123456789abcdef" * 4
ALLOWED_HOSTS = ["testserver", "localhost", "127.0.0.1"]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
DATA_DIR = Path(tempfile.mkdtemp(prefix="donor-tests-"))
STATIC_ROOT = DATA_DIR / "static"
STATIC_ROOT.mkdir()

_url = env.text("TEST_DATABASE_URL")
DATABASES = {"default": database(_url) if _url else sqlite(DATA_DIR / "base.sqlite3")}
if not _url:
    # A file, not memory: races and the second connection of the dispatcher need one.
    DATABASES["default"]["TEST"] = {"NAME": DATA_DIR / "test.sqlite3"}
REDIS_URL = ""
SITE_ADDRESS = "https://bench.example"
DEFAULT_FROM_EMAIL = "bench@bench.example"
