"""manage.py migrate: Django's, with each step and the note that it is done in one transaction.

Django makes a step's indexes and foreign keys last, commits, and only then notes the step. Killed
between the two, it would find its own tables there and never go on.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.core.management.commands import migrate
from django.db import transaction
from django.db.migrations import Migration
from django.db.migrations.executor import MigrationExecutor


class Whole(MigrationExecutor):
    """Takes a step and notes it, or neither; forwards and backwards."""

    def apply_migration(self, state: Any, migration: Migration, *args: Any, **kwargs: Any) -> Any:
        with self._at_once(migration):
            return super().apply_migration(state, migration, *args, **kwargs)

    def unapply_migration(self, state: Any, migration: Migration, *args: Any, **kwargs: Any) -> Any:
        with self._at_once(migration):
            return super().unapply_migration(state, migration, *args, **kwargs)

    @contextmanager
    def _at_once(self, migration: Migration) -> Iterator[None]:
        if not migration.atomic:
            yield
            return
        # SQLite heeds this outside a transaction only; a step looks at foreign keys by itself.
        together = transaction.atomic(self.connection.alias)
        with self.connection.constraint_checks_disabled(), together:
            yield


class Command(migrate.Command):
    """Django's own, with our executor."""

    def handle(self, *args: Any, **options: Any) -> None:
        of_django = migrate.MigrationExecutor  # type: ignore[attr-defined]
        migrate.MigrationExecutor = Whole  # type: ignore[attr-defined]
        try:
            super().handle(*args, **options)
        finally:
            migrate.MigrationExecutor = of_django  # type: ignore[attr-defined]
