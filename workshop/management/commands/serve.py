"""manage.py serve [--host H] [--port N]: the whole service in one process."""

from typing import Any

from django.core.exceptions import ImproperlyConfigured
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.wsgi import get_wsgi_application
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from workshop import serving, startup


class Command(BaseCommand):
    help = "Serve the site and match what comes in, in one process, until stopped."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, host: str, port: int, **options: Any) -> None:
        self._refuse_unmigrated()
        try:
            startup.refuse_bad_settings()
            startup.refuse_demo_accounts_in_production()
            port = serving.free_port(host, port)
        except (ImproperlyConfigured, OSError) as refused:
            raise CommandError(str(refused)) from refused

        def ready() -> None:
            self.stdout.write(f"Serving on http://{host}:{port}/ - stop with Ctrl+C.")
            self.stdout.flush()

        serving.serve(get_wsgi_application(), host=host, port=port, ready=ready)

    def _refuse_unmigrated(self) -> None:
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            raise CommandError("The database is not up to date. Run `manage.py migrate` first.")
