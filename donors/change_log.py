"""Triggers that note every known number that changes, whoever changes it, on both engines.

The lookup of every process takes in what was noted since it looked last (donors/snapshots.py).
Noting by trigger means that a bulk import, a cascade or plain SQL cannot be forgotten. On
PostgreSQL a trigger runs once a statement, so an import of a thousand rows counts once; SQLite
knows triggers for each row only, and there the count costs next to nothing.
"""

from collections.abc import Iterator

from django.db import DEFAULT_DB_ALIAS, connections

PREFIX = "number_log__"
# table, and its column that names the model
WATCHED = (("donors_modelnumber", "id"), ("donors_modelalias", "model_id"))
TABLES = ("donors_catalogueclock", "donors_numberchange", *(table for table, _ in WATCHED))

SQLITE = """
CREATE TRIGGER {name} AFTER {event} ON {table} BEGIN
  INSERT INTO donors_catalogueclock (workshop_id, seq, mark)
    VALUES ({row}.workshop_id, 1, hex(randomblob(8)))
    ON CONFLICT (workshop_id) DO UPDATE SET seq = seq + 1, mark = hex(randomblob(8));
  INSERT INTO donors_numberchange (workshop_id, seq, mark, model_id)
    SELECT workshop_id, seq, mark, {row}.{column} FROM donors_catalogueclock
    WHERE workshop_id = {row}.workshop_id;
END
"""
# The clock's rows are taken in order of workshop, so that two writers cannot lock crosswise.
POSTGRES_FUNCTION = """
CREATE OR REPLACE FUNCTION {name}() RETURNS trigger AS $$
BEGIN
  WITH clock AS (
    INSERT INTO donors_catalogueclock AS held (workshop_id, seq, mark)
      SELECT workshop_id, 1, md5(random()::text || clock_timestamp()::text)
      FROM (SELECT DISTINCT workshop_id FROM changed) AS owners ORDER BY workshop_id
      ON CONFLICT (workshop_id) DO UPDATE
        SET seq = held.seq + 1, mark = md5(random()::text || clock_timestamp()::text)
      RETURNING workshop_id, seq, mark
  )
  INSERT INTO donors_numberchange (workshop_id, seq, mark, model_id)
    SELECT DISTINCT clock.workshop_id, clock.seq, clock.mark, changed.{column}
    FROM changed JOIN clock USING (workshop_id);
  RETURN NULL;
END $$ LANGUAGE plpgsql
"""
POSTGRES = """
CREATE TRIGGER {name} AFTER {event} ON {table} REFERENCING {state} TABLE AS changed
FOR EACH STATEMENT EXECUTE FUNCTION {function}()
"""
EVENTS = (("INSERT", "NEW"), ("UPDATE", "NEW"), ("UPDATE", "OLD"), ("DELETE", "OLD"))


def sqlite_statements() -> Iterator[str]:
    for table, column in WATCHED:
        for event, row in EVENTS:
            name = f"{PREFIX}{table}__{event}_{row}".lower()
            yield SQLITE.format(name=name, event=event, table=table, row=row, column=column)


def postgres_statements() -> Iterator[str]:
    for table, column in WATCHED:
        function = f"{PREFIX}{table}"
        yield POSTGRES_FUNCTION.format(name=function, column=column)
        for event, state in EVENTS:
            name = f"{PREFIX}{table}__{event}_{state}".lower()
            yield POSTGRES.format(
                name=name, event=event, table=table, state=state, function=function
            )


def drop(using: str = DEFAULT_DB_ALIAS) -> None:
    """Remove the triggers, so that migrations may rebuild tables."""
    connection = connections[using]
    sqlite = "SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger' AND name LIKE %s"
    postgres = (
        "SELECT tgname, tgrelid::regclass::text FROM pg_trigger "
        "WHERE NOT tgisinternal AND tgname LIKE %s"
    )
    with connection.cursor() as cursor:
        is_sqlite = connection.vendor == "sqlite"
        cursor.execute(sqlite if is_sqlite else postgres, [f"{PREFIX}%"])
        for name, table in cursor.fetchall():
            cursor.execute(f'DROP TRIGGER "{name}"' + ("" if is_sqlite else f" ON {table}"))


def install(using: str = DEFAULT_DB_ALIAS) -> None:
    """Lay every trigger anew. Does nothing while some table is not migrated yet."""
    connection = connections[using]
    if not set(TABLES) <= set(connection.introspection.table_names()):
        return
    drop(using)
    lines = sqlite_statements() if connection.vendor == "sqlite" else postgres_statements()
    with connection.cursor() as cursor:
        for line in lines:
            cursor.execute(line)
