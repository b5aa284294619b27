"""A server others can reach: refuses to start with anything left at a default."""

from django.core.exceptions import ImproperlyConfigured

from config import env
from config.settings.base import *  # noqa: F403
from config.settings.base import BEHIND_PROXY
from workshop import log_lines

PRODUCTION = True
SECRET_KEY = env.required(
    "SECRET_KEY",
    cure="Make one with `python -c 'import secrets; print(secrets.token_urlsafe(60))'` "
    "and set it in the environment.",
)
if len(SECRET_KEY) < 50 or len(set(SECRET_KEY)) < 10 or "insecure" in SECRET_KEY.lower():
    raise ImproperlyConfigured(
        "SECRET_KEY is a default or too weak: it needs at least 50 random characters. "
        "Make one with `python -c 'import secrets; print(secrets.token_urlsafe(60))'`."
    )
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS")
if not ALLOWED_HOSTS:
    raise ImproperlyConfigured("ALLOWED_HOSTS is not set. Name the site's hosts, comma separated.")
CSRF_TRUSTED_ORIGINS = env.words("CSRF_TRUSTED_ORIGINS")

WEBHOOKS_TO_LOOPBACK = False  # whatever the environment says

SECURE_SSL_REDIRECT = env.flag("SECURE_SSL_REDIRECT", default=True)
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if BEHIND_PROXY else None
SECURE_HSTS_SECONDS = 365 * 24 * 3600
SECURE_HSTS_INCLUDE_SUBDOMAINS = True
SECURE_HSTS_PRELOAD = True
SESSION_COOKIE_SECURE = True
CSRF_COOKIE_SECURE = True
SESSION_COOKIE_NAME = "__Host-session"
CSRF_COOKIE_NAME = "__Host-csrf"
DEVICE_COOKIE_NAME = "__Host-device"
WHITENOISE_USE_FINDERS = False
# Probes come by plain http from the same network.
SECURE_REDIRECT_EXEMPT = [r"^livez$", r"^readyz$", r"^metrics$"]

LOG_FORMAT = env.text("LOG_FORMAT", "json")
LOGGING = log_lines.configuration(form=LOG_FORMAT, level=env.text("LOG_LEVEL", "INFO"))
