"""WSGI entry of a server others can reach; refuses to start with demo passwords."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.prod")
application = get_wsgi_application()

from workshop import startup  # noqa: E402  (models exist only after the line above)

startup.refuse_bad_settings()
startup.refuse_demo_accounts_in_production()
