"""The database itself refuses to change posted rows, or to post into a closed month.

And it counts the writes to each sealed table, so that none goes past the seals. Triggers for SQLite
and PostgreSQL, installed by migration. Apps above add their own tables.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Final

from django.apps import apps as installed_apps
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.base.schema import BaseDatabaseSchemaEditor

APPEND_ONLY: Final = (
    "lots_movement",
    "lots_entry",
    "lots_claimentry",
    "lots_materialentry",
    "lots_lotstanding",
    "lots_measurement",
    "lots_weighing",
    "lots_volumereading",
    "lots_assay",
    "lots_assayresult",
    "lots_assayruling",
    "lots_contentchange",
    "lots_withdrawal",
    "lots_impurityanalysis",
    "lots_deliverynote",
    "lots_deliveryline",
)
# Tables that came after the first guards, each installed by its own migration.
IMPORTS: Final = ("lots_sheetimport", "lots_importedrow")
SEALS: Final = ("lots_seal", "lots_sealedrow", "lots_seallayout")
ZONE: Final = ("lots_workszone",)
SETTINGS: Final = ("lots_workssettings",)
PEOPLE: Final = ("lots_personchange",)
CONFIRMED: Final = ("lots_confirmedfigure", "lots_figureexplanation")
APPEND_ONLY_MESSAGE: Final = "append-only: posted rows are never changed; reverse them"
CLOSED_MONTH_MESSAGE: Final = "closed month: nothing can be posted into it"

# The very text of every guard, as the engine tells it when asked: what `check_ledger` compares.
_PG_FUNCTIONS: Final = {
    "ledger_refuse_change": f"""
    CREATE OR REPLACE FUNCTION ledger_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION '{APPEND_ONLY_MESSAGE}' USING ERRCODE = 'integrity_constraint_violation';
    END $$
    """,
    "ledger_refuse_closed_month": f"""
    CREATE OR REPLACE FUNCTION ledger_refuse_closed_month() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
      IF EXISTS (SELECT 1 FROM lots_booksmonth WHERE state = 'closed'
                 AND NEW.occurred_at < ends_at) THEN
        RAISE EXCEPTION '{CLOSED_MONTH_MESSAGE}' USING ERRCODE = 'integrity_constraint_violation';
      END IF;
      RETURN NEW;
    END $$
    """,
    "ledger_count_write": """
    CREATE OR REPLACE FUNCTION ledger_count_write() RETURNS trigger LANGUAGE plpgsql AS $$
    DECLARE
      counted jsonb = coalesce(nullif(current_setting('ledger.writes', true), ''), '{}');
      writes integer = coalesce((counted ->> TG_TABLE_NAME)::integer, 0) + 1;
    BEGIN
      PERFORM set_config('ledger.writes',
                         (counted || jsonb_build_object(TG_TABLE_NAME, writes))::text, true);
      RETURN NULL;
    END $$
    """,
}
# How often each sealed table was written, as JSON: in this transaction on PostgreSQL, and on SQLite
# ever, in a table that is no fact and has no model.
WRITES_COUNTED: Final = {
    "postgresql": "current_setting('ledger.writes', true)",
    "sqlite": "(SELECT json_group_object(table_name, writes) FROM lots_sealedwrites)",
}
MONTH_TRIGGER: Final = "lots_movement_open_month"
_MONTH_TRIGGER: Final = {
    "postgresql": f"CREATE TRIGGER {MONTH_TRIGGER} BEFORE INSERT ON lots_movement "
    "FOR EACH ROW EXECUTE FUNCTION ledger_refuse_closed_month()",
    "sqlite": f"CREATE TRIGGER {MONTH_TRIGGER} BEFORE INSERT ON lots_movement "
    "WHEN EXISTS (SELECT 1 FROM lots_booksmonth WHERE state = 'closed' "
    "AND NEW.occurred_at < ends_at) "
    f"BEGIN SELECT RAISE(ABORT, '{CLOSED_MONTH_MESSAGE}'); END",
}


def guarded_tables() -> list[str]:
    """Every append-only table: each app names its own in its AppConfig, `append_only_tables`."""
    return [
        table
        for config in installed_apps.get_app_configs()
        for table in getattr(config, "append_only_tables", ())
    ]


def counted_tables() -> dict[str, Sequence[str]]:
    """Every table that requests seal, with the columns that are sealed; none named: all."""
    return {
        model._meta.db_table: columns
        for model in installed_apps.get_models()
        if (columns := getattr(model, "sealed_columns", None)) is not None
        and not getattr(model, "is_sealed_late", False)
    }


def expected_triggers(vendor: str) -> dict[str, str]:
    """The text of every trigger that must be there, by name; with its function's, if it has one."""
    texts = {MONTH_TRIGGER: _MONTH_TRIGGER[vendor]}
    for table in guarded_tables():
        texts |= _append_only_triggers(vendor, table)
    for table, columns in counted_tables().items():
        texts |= _counting_triggers(vendor, table, columns)
    for name, text in texts.items():
        for function, body in _PG_FUNCTIONS.items():
            if text.endswith(f"{function}()"):
                texts[name] = f"{text} {body}"
    return texts


def append_only(database: BaseDatabaseWrapper, tables: Sequence[str]) -> None:
    """Installs the triggers that refuse UPDATE and DELETE on `tables`."""
    for table in tables:
        _install(database, *_append_only_triggers(database.vendor, table).values())


def changeable(database: BaseDatabaseWrapper, tables: Sequence[str]) -> None:
    """Takes the append-only triggers away again: for un-migrating and for emptying test tables."""
    for table in tables:
        _drop(database, table, _append_only_triggers(database.vendor, table))


def count_writes(database: BaseDatabaseWrapper, tables: Mapping[str, Sequence[str]]) -> None:
    """Installs the triggers that count writes to `tables`, or to some of their columns."""
    for table, columns in tables.items():
        _install(database, *_counting_triggers(database.vendor, table, columns).values())


def leave_uncounted(database: BaseDatabaseWrapper, tables: Iterable[str]) -> None:
    """For un-migrating."""
    for table in tables:
        _drop(database, table, _counting_triggers(database.vendor, table, ()))


def lock_months(database: BaseDatabaseWrapper) -> None:
    """Installs the trigger that refuses a movement in, or before, a closed month."""
    _install(database, _MONTH_TRIGGER[database.vendor])


def _install(database: BaseDatabaseWrapper, *triggers: str) -> None:
    with database.cursor() as cursor:
        if database.vendor == "postgresql":
            for function in _PG_FUNCTIONS.values():
                cursor.execute(function)
        for trigger in triggers:
            if database.vendor == "postgresql":
                cursor.execute(trigger.replace("CREATE", "CREATE OR REPLACE", 1))
            else:
                cursor.execute(trigger.replace("TRIGGER", "TRIGGER IF NOT EXISTS", 1))


def _drop(database: BaseDatabaseWrapper, table: str, triggers: Iterable[str]) -> None:
    on_table = f" ON {table}" if database.vendor == "postgresql" else ""
    with database.cursor() as cursor:
        for name in triggers:
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on_table}")


@contextmanager
def lifted(database: BaseDatabaseWrapper) -> Iterator[None]:
    """Takes every trigger away and puts it back as it was, inside one transaction.

    Only for filling an empty database with rows that another one had already.
    """
    assert database.in_atomic_block, "without a transaction the guards could stay away"
    if database.vendor == "postgresql":
        found = (
            "SELECT tgname, quote_ident(relname), pg_get_triggerdef(t.oid) FROM pg_trigger t "
            "JOIN pg_class c ON c.oid = t.tgrelid "
            "WHERE NOT tgisinternal AND pg_table_is_visible(c.oid)"
        )
        drop = 'DROP TRIGGER "{0}" ON {1}'
    else:
        found = "SELECT name, tbl_name, sql FROM sqlite_master WHERE type = 'trigger'"
        drop = 'DROP TRIGGER "{0}"'
    with database.cursor() as cursor:
        cursor.execute(found)
        triggers = cursor.fetchall()
        for trigger in triggers:
            cursor.execute(drop.format(*trigger))
    yield
    with database.cursor() as cursor:
        for _, _, definition in triggers:
            cursor.execute(definition)


def install(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """For migrations: every guard of this app."""
    append_only(schema_editor.connection, APPEND_ONLY)
    lock_months(schema_editor.connection)


def remove(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """For un-migrating."""
    changeable(schema_editor.connection, APPEND_ONLY)
    _drop(schema_editor.connection, "lots_movement", [MONTH_TRIGGER])


def _append_only_triggers(vendor: str, table: str) -> dict[str, str]:
    if vendor == "postgresql":
        refuses = "EXECUTE FUNCTION ledger_refuse_change()"
        return {
            f"{table}_kept": f"CREATE TRIGGER {table}_kept BEFORE DELETE OR UPDATE ON {table} "
            f"FOR EACH ROW {refuses}",
            f"{table}_kept_whole": f"CREATE TRIGGER {table}_kept_whole BEFORE TRUNCATE ON {table} "
            f"FOR EACH STATEMENT {refuses}",
        }
    return {
        f"{table}_no_{event.lower()}": f"CREATE TRIGGER {table}_no_{event.lower()} "
        f"BEFORE {event} ON {table} BEGIN SELECT RAISE(ABORT, '{APPEND_ONLY_MESSAGE}'); END"
        for event in ("UPDATE", "DELETE")
    }


def _counting_triggers(vendor: str, table: str, columns: Sequence[str]) -> dict[str, str]:
    """A change of an append-only table is refused, and a deleted row of any is noted by nobody."""
    update = f"UPDATE OF {', '.join(columns)}" if columns else "UPDATE"
    if vendor == "postgresql":
        name = f"{table}_counted"
        return {
            name: f"CREATE TRIGGER {name} AFTER INSERT OR DELETE OR {update} ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION ledger_count_write()"
        }
    return {
        f"{table}_counts_{event.split()[0].lower()}": f"CREATE TRIGGER {table}_counts_"
        f"{event.split()[0].lower()} AFTER {event} ON {table} BEGIN "
        f"INSERT INTO lots_sealedwrites VALUES ('{table}', 1) "
        "ON CONFLICT (table_name) DO UPDATE SET writes = writes + 1; END"
        for event in ("INSERT", "DELETE", update)
    }
