"""What a database holds: which migrations, which tables. Read on the open connection."""

from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder


def tables() -> list[str]:
    return sorted(connection.introspection.table_names())


def applied() -> dict[str, list[str]]:
    """Return app -> names of the migrations applied, in order of name."""
    found: dict[str, list[str]] = {}
    for app, name in sorted(MigrationRecorder(connection).applied_migrations()):
        found.setdefault(app, []).append(name)
    return found


def unknown_here(migrations: dict[str, list[str]]) -> list[str]:
    """Return the migrations this code does not have: the backup is of a newer version."""
    known = set(MigrationLoader(None).disk_migrations)
    return [
        f"{app}.{name}"
        for app, names in sorted(migrations.items())
        for name in names
        if (app, name) not in known
    ]


def is_empty() -> bool:
    """Return True when the database holds no table of ours, or no row in those of people."""
    here = set(tables())
    with connection.cursor() as cursor:
        for table in ("workshop_workshop", "workshop_user"):
            if table in here:
                cursor.execute(f"SELECT 1 FROM {table} LIMIT 1")
                if cursor.fetchone():
                    return False
    return True
