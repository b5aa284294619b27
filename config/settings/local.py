"""One workshop on one machine, and the demo: SQLite, no broker, a key made on first start."""

from config import env
from config.local_secret import read_or_make
from config.settings.base import *  # noqa: F403
from config.settings.base import DATA_DIR, STATIC_ROOT

STATIC_ROOT.mkdir(parents=True, exist_ok=True)
SECRET_KEY = env.text("SECRET_KEY") or read_or_make(DATA_DIR / "secret.key")
DEBUG = env.flag("DEBUG")
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS", "localhost,127.0.0.1,[::1]")
