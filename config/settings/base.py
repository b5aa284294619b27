"""Settings every way of running shares. See local.py (one machine), prod.py and test.py."""

from pathlib import Path
from typing import Any

import dj_database_url
from csp.constants import NONE, SELF

from config import env
from workshop import log_lines

BASE_DIR = Path(__file__).resolve().parent.parent.parent
DATA_DIR = env.folder("DATA_DIR", BASE_DIR / "var")
REFERENCE_DIR = BASE_DIR / "fixtures" / "reference"
DEMO_DIR = BASE_DIR / "fixtures" / "demo"

PRODUCTION = False
DEBUG = False
ALLOWED_HOSTS: list[str] = env.words("ALLOWED_HOSTS")

INSTALLED_APPS = [
    "config",
    "workshop",
    "donors",
    "parts",
    "matching",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "rest_framework",
    "django_filters",
    "knox",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "csp",
    "django_htmx",
]

MIDDLEWARE = [
    "config.operating.FollowRequest",
    "config.operating.AnswerProbes",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "config.middleware.RefuseNulBytes",
    "config.middleware.DomainErrorsAreAnswers",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
# Where people reach this site, such as https://bench.example: links in mails and feeds. Mails are
# sent only with it and with a mail server (docs/echo.md).
SITE_ADDRESS = env.text("SITE_ADDRESS").rstrip("/")
EMAIL_HOST = env.text("EMAIL_HOST")
EMAIL_PORT = env.number("EMAIL_PORT", 587)
EMAIL_HOST_USER = env.text("EMAIL_HOST_USER")
EMAIL_HOST_PASSWORD = env.text("EMAIL_HOST_PASSWORD")
EMAIL_USE_TLS = env.flag("EMAIL_USE_TLS", default=True)
EMAIL_TIMEOUT = 10
DEFAULT_FROM_EMAIL = env.text("EMAIL_FROM")
NO_MAIL = "django.core.mail.backends.dummy.EmailBackend"
EMAIL_BACKEND = env.text(
    "EMAIL_BACKEND", "django.core.mail.backends.smtp.EmailBackend" if EMAIL_HOST else NO_MAIL
)
EMAIL_FILE_PATH = DATA_DIR / "mails"  # for the back end that writes files
# For tests only: webhooks may then go to 127.0.0.1 by http. Refused in production.
WEBHOOKS_TO_LOOPBACK = env.flag("WEBHOOKS_TO_LOOPBACK")
WEBHOOK_PAUSE_DAYS = env.number("WEBHOOK_PAUSE_DAYS", 5)

AUTH_USER_MODEL = "workshop.User"
KNOX_TOKEN_MODEL = "knox.AuthToken"
AUTHENTICATION_BACKENDS = ["workshop.access.backend.LimitedBackend"]
DEVICE_COOKIE_NAME = "device"
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "sign-in"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "config" / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "config.page_context.member_and_inbox",
            ],
            "builtins": ["workshop.templatetags.labelled", "workshop.templatetags.roles"],
        },
    }
]


def sqlite(path: Path) -> dict[str, Any]:
    """Return a SQLite database that survives a power cut and many writers.

    IMMEDIATE takes the write lock at BEGIN, so a writer waits instead of failing half-way
    (measured: 249 of 1,200 writes failed with DEFERRED, none with IMMEDIATE).
    """
    return {
        "ENGINE": "django.db.backends.sqlite3",
        "NAME": path,
        "OPTIONS": {
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": (
                "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON; "
                # What is erased (a customer, above all) is overwritten in the file, not only freed.
                "PRAGMA secure_delete=ON; "
                # KiB of pages kept, a connection: with 2 MiB, a family of a large stock is read
                # from the file again for every question (docs/matching-speed.md).
                "PRAGMA cache_size=-32768;"
            ),
        },
    }


def database(url: str) -> dict[str, Any]:
    """Return the database at `url`, or the embedded SQLite file when it is blank."""
    if not url:
        return sqlite(DATA_DIR / "workshop.sqlite3")
    found: dict[str, Any] = dict(dj_database_url.parse(url, conn_max_age=60))
    if found["ENGINE"].endswith("sqlite3"):
        return sqlite(Path(found["NAME"]))
    found["CONN_HEALTH_CHECKS"] = True  # a connection kept from before an outage is replaced
    found["OPTIONS"] = {"connect_timeout": 5, **found.get("OPTIONS", {})}
    return found


DATABASES = {"default": database(env.text("DATABASE_URL"))}

# Redis rings the bell between processes; nothing that matters is kept in it (docs/adr/0003).
REDIS_URL = env.text("REDIS_URL")

# Operating (docs/scaling.md). Who may read /metrics: whoever states the token, or without one a
# caller on this machine that came through no proxy.
METRICS_TOKEN = env.text("METRICS_TOKEN")
BEHIND_PROXY = env.flag("BEHIND_PROXY")
# How many proxies of our own each request passes: so many entries of X-Forwarded-For are believed.
TRUSTED_PROXIES = env.number("TRUSTED_PROXIES", 1 if BEHIND_PROXY else 0)
# /readyz says no beyond these, in seconds (our own choice: three beats of a dispatcher, five
# minutes of news that nobody acts on, five missed sweeps).
READY_BEAT_SECONDS = env.number("READY_BEAT_SECONDS", 45)
READY_EVENT_SECONDS = env.number("READY_EVENT_SECONDS", 300)
READY_SWEEP_SECONDS = env.number("READY_SWEEP_SECONDS", 300)

# Events done so long ago are removed by the sweep; what led to what can be looked up meanwhile.
KEEP_EVENTS_DAYS = env.number("KEEP_EVENTS_DAYS", 90)

PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]

LANGUAGE_CODE = "en-gb"
TIME_ZONE = env.text("TIME_ZONE", "UTC")
USE_I18N = True
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
WHITENOISE_USE_FINDERS = True

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "img-src": [SELF, "data:"],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SESSION_COOKIE_HTTPONLY = True
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FILES = 8
# Four photos of 20 MiB in one form; the embedded server refuses more before reading it.
MOST_REQUEST_BYTES = 90 * 1024 * 1024

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "workshop.access.api_tokens.ScopedToken",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["workshop.permissions.IsMember"],
    "DEFAULT_SCHEMA_CLASS": "workshop.api_schema.Schema",
    "DEFAULT_PAGINATION_CLASS": "workshop.pagination.Pages",
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "EXCEPTION_HANDLER": "config.api_errors.problem_response",
    "PAGE_SIZE": 50,
}

SPECTACULAR_SETTINGS = {
    "TITLE": "Donor machines and waiting jobs",
    "DESCRIPTION": (
        "Take machines in, find parts for jobs, hold, fit and report back.\n\n"
        "Signed in on the site, you may try every path here. A program signs in once: `POST "
        "/api/v1/token/` with HTTP Basic (name and password) answers with a token, which goes "
        "into the header `Authorization: Token …` of each request after that. Say its `scope` "
        "(`read`, `write`, `review`, `all`) and for how many `days` it lasts. Who belongs to "
        "several workshops names one in the header `X-Workshop`; a token is of one. A request "
        "that writes may carry an `Idempotency-Key`: sent again with it, it acts no second time "
        "and gets the same "
        "reply. What is refused is answered as problem+json (RFC 9457)."
    ),
    "VERSION": "1",
    "ENUM_NAME_OVERRIDES": {
        "FitVerdict": "matching.models.VERDICTS",
        "TestVerdict": "parts.models.BenchTest.Verdict",
        "BenchOutcome": "parts.api.bench.OUTCOMES",
        "LimitStanding": "parts.api.bench.STANDINGS",
        "PartGrade": "parts.models.Grade",
        "RuleState": "matching.models.Rule.State",
        "BuildKnown": "donors.machine_columns.BUILD_KNOWN",
        "BuildScheme": "donors.build_readings.SCHEMES",
        "PartState": "parts.models.Part.State",
        "ImportState": "workshop.models.FileImport.State",
        "NeedState": "matching.models.Need.State",
        "Licence": "workshop.models.LICENCES",
        "PermissionGiven": "matching.models.KeepPermission.How",
        "StepCame": "parts.models.StepRecord.Came",
        "FaultStanding": "matching.fault_models.Standing",
        "PartCame": "parts.stripping.Came",
    },
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "workshop.api_schema.describe_errors",
    ],
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
    "SERVE_AUTHENTICATION": [
        "workshop.access.api_tokens.ScopedToken",
        "rest_framework.authentication.SessionAuthentication",
    ],
}

LOG_FORMAT = env.text("LOG_FORMAT", "plain")
LOGGING = log_lines.configuration(form=LOG_FORMAT, level=env.text("LOG_LEVEL", "WARNING"))
