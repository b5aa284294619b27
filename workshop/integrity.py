"""Triggers that refuse a reference from one workshop's row to another's, on both engines.

Django has no composite foreign keys, so each foreign key between two private tables gets a
trigger. They are found from the models, so a new model is covered without being named, and
they are dropped before and laid again after every migrate: SQLite loses a table's triggers
when a migration rebuilds it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.db import DEFAULT_DB_ALIAS, connections

from workshop.scoping import WorkshopOwned

PREFIX = "one_workshop__"


@dataclass(frozen=True)
class Reference:
    """`table.column` points at `parent`; both tables carry workshop_id."""

    table: str
    column: str
    parent: str

    @property
    def trigger(self) -> str:
        return f"{PREFIX}{self.table}__{self.column}"[:63]


def owned_models() -> list[Any]:
    return [model for model in apps.get_models() if issubclass(model, WorkshopOwned)]


def references() -> Iterator[Reference]:
    """Yield every foreign key from one private model to another."""
    for model in owned_models():
        for field in model._meta.concrete_fields:
            target = field.related_model
            if isinstance(target, type) and issubclass(target, WorkshopOwned):
                yield Reference(model._meta.db_table, field.column, target._meta.db_table)


SQLITE_REFERENCE = """
CREATE TRIGGER {name}_{verb} BEFORE {event} ON {table}
WHEN NEW.{column} IS NOT NULL
 AND (SELECT workshop_id FROM {parent} WHERE id = NEW.{column}) IS NOT NEW.workshop_id
BEGIN SELECT RAISE(ABORT, '{table}.{column} points into another workshop'); END
"""
SQLITE_OWNER = """
CREATE TRIGGER {name} BEFORE UPDATE OF workshop_id ON {table}
WHEN NEW.workshop_id IS NOT OLD.workshop_id
BEGIN SELECT RAISE(ABORT, '{table}: a row cannot move to another workshop'); END
"""
POSTGRES_FUNCTIONS = """
CREATE OR REPLACE FUNCTION one_workshop_reference() RETURNS trigger AS $$
DECLARE owner bigint;
BEGIN
  EXECUTE format('SELECT p.workshop_id FROM %I p WHERE p.id = ($1).%I', TG_ARGV[1], TG_ARGV[0])
    INTO owner USING NEW;
  IF owner IS DISTINCT FROM NEW.workshop_id THEN
    RAISE EXCEPTION '%.% points into another workshop', TG_TABLE_NAME, TG_ARGV[0]
      USING ERRCODE = 'check_violation';
  END IF;
  RETURN NEW;
END $$ LANGUAGE plpgsql;
CREATE OR REPLACE FUNCTION one_workshop_owner() RETURNS trigger AS $$
BEGIN
  RAISE EXCEPTION '%: a row cannot move to another workshop', TG_TABLE_NAME
    USING ERRCODE = 'check_violation';
END $$ LANGUAGE plpgsql;
"""


def sqlite_statements() -> Iterator[str]:
    for ref in references():
        parts = {"table": ref.table, "column": ref.column, "parent": ref.parent}
        yield SQLITE_REFERENCE.format(name=ref.trigger, verb="ins", event="INSERT", **parts)
        changed = f"UPDATE OF {ref.column}"
        yield SQLITE_REFERENCE.format(name=ref.trigger, verb="upd", event=changed, **parts)
    for model in owned_models():
        table = model._meta.db_table
        yield SQLITE_OWNER.format(name=f"{PREFIX}{table}", table=table)


def postgres_statements() -> Iterator[str]:
    yield POSTGRES_FUNCTIONS
    for ref in references():
        yield (
            f"CREATE TRIGGER {ref.trigger} BEFORE INSERT OR UPDATE OF {ref.column} ON {ref.table} "
            f"FOR EACH ROW WHEN (NEW.{ref.column} IS NOT NULL) "
            f"EXECUTE FUNCTION one_workshop_reference('{ref.column}', '{ref.parent}')"
        )
    for model in owned_models():
        table = model._meta.db_table
        yield (
            f"CREATE TRIGGER {PREFIX}{table} BEFORE UPDATE OF workshop_id ON {table} "
            "FOR EACH ROW WHEN (NEW.workshop_id IS DISTINCT FROM OLD.workshop_id) "
            "EXECUTE FUNCTION one_workshop_owner()"
        )


def drop(using: str = DEFAULT_DB_ALIAS) -> None:
    """Remove our triggers, so that migrations may rebuild tables."""
    connection = connections[using]
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute(
                "SELECT name FROM sqlite_master WHERE type='trigger' AND name LIKE %s",
                [f"{PREFIX}%"],
            )
            for (name,) in cursor.fetchall():
                cursor.execute(f'DROP TRIGGER "{name}"')
            return
        cursor.execute(
            "SELECT tgname, tgrelid::regclass::text FROM pg_trigger "
            "WHERE NOT tgisinternal AND tgname LIKE %s",
            [f"{PREFIX}%"],
        )
        for name, table in cursor.fetchall():
            cursor.execute(f'DROP TRIGGER "{name}" ON {table}')


def install(using: str = DEFAULT_DB_ALIAS) -> None:
    """Lay every trigger anew. Does nothing while some table is not migrated yet."""
    connection = connections[using]
    present = set(connection.introspection.table_names())
    if not {model._meta.db_table for model in owned_models()} <= present:
        return
    drop(using)
    lines = sqlite_statements() if connection.vendor == "sqlite" else postgres_statements()
    with connection.cursor() as cursor:
        for line in lines:
            cursor.execute(line)
