"""The database itself refuses to change posted rows, or to post into a closed month.

Triggers for SQLite and PostgreSQL, installed by migration. Apps above add their own tables.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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
# Tables whose rows are sealed beside the chain over movements, with the columns that are (none
# named: all). A lot's owner, place and state follow from the ledger, which is proved elsewhere.
SEALED: Final[dict[str, tuple[str, ...]]] = {
    "lots_lot": ("id", "code", "form", "description", "received_from_id", "registered_at"),
    "lots_document": (),
    "lots_measurement": (),
    "lots_weighing": (),
    "lots_volumereading": (),
    "lots_assay": (),
    "lots_assayresult": (),
    "lots_assayruling": (),
    "lots_contentchange": (),
    "lots_withdrawal": (),
    "lots_impurityanalysis": (),
    "lots_barrecord": (),
    "lots_deliverynote": (),
    "lots_deliveryline": (),
    "lots_excess": (),
    "lots_processbatch": (),
    "lots_booksmonth": (),
    "lots_sheetimport": (),
    "lots_importedrow": (),
}
APPEND_ONLY_MESSAGE: Final = "append-only: posted rows are never changed; reverse them"
CLOSED_MONTH_MESSAGE: Final = "closed month: nothing can be posted into it"

_PG_FUNCTIONS: Final = (
    f"""
    CREATE OR REPLACE FUNCTION ledger_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION '{APPEND_ONLY_MESSAGE}' USING ERRCODE = 'integrity_constraint_violation';
    END $$
    """,
    f"""
    CREATE OR REPLACE FUNCTION ledger_refuse_closed_month() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
      IF EXISTS (SELECT 1 FROM lots_booksmonth WHERE state = 'closed'
                 AND NEW.occurred_at < ends_at) THEN
        RAISE EXCEPTION '{CLOSED_MONTH_MESSAGE}' USING ERRCODE = 'integrity_constraint_violation';
      END IF;
      RETURN NEW;
    END $$
    """,
)


MONTH_TRIGGER: Final = "lots_movement_open_month"


def guarded_tables() -> list[str]:
    """Every append-only table: each app names its own in its AppConfig, `append_only_tables`."""
    return [
        table
        for config in installed_apps.get_app_configs()
        for table in getattr(config, "append_only_tables", ())
    ]


def expected_triggers(vendor: str) -> dict[str, str]:
    """The name of every trigger that must be there, with the message it refuses with."""
    suffixes = ("kept", "kept_whole") if vendor == "postgresql" else ("no_update", "no_delete")
    return {
        f"{table}_{suffix}": APPEND_ONLY_MESSAGE
        for table in guarded_tables()
        for suffix in suffixes
    } | {MONTH_TRIGGER: CLOSED_MONTH_MESSAGE}


def append_only(database: BaseDatabaseWrapper, tables: Sequence[str]) -> None:
    """Installs the triggers that refuse UPDATE and DELETE on `tables`."""
    with database.cursor() as cursor:
        if database.vendor == "postgresql":
            for statement in _PG_FUNCTIONS:
                cursor.execute(statement)
        for table in tables:
            for statement in _append_only_sql(database.vendor, table):
                cursor.execute(statement)


def changeable(database: BaseDatabaseWrapper, tables: Sequence[str]) -> None:
    """Takes the append-only triggers away again: for un-migrating and for emptying test tables."""
    with database.cursor() as cursor:
        for table in tables:
            if database.vendor == "postgresql":
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_kept ON {table}")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_kept_whole ON {table}")
            else:
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_update")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_delete")


def lock_months(database: BaseDatabaseWrapper) -> None:
    """Installs the trigger that refuses a movement in, or before, a closed month."""
    with database.cursor() as cursor:
        if database.vendor == "postgresql":
            cursor.execute(_PG_FUNCTIONS[1])
            cursor.execute(
                "CREATE OR REPLACE TRIGGER lots_movement_open_month BEFORE INSERT ON lots_movement "
                "FOR EACH ROW EXECUTE FUNCTION ledger_refuse_closed_month()"
            )
        else:
            cursor.execute(
                "CREATE TRIGGER IF NOT EXISTS lots_movement_open_month "
                "BEFORE INSERT ON lots_movement "
                "WHEN EXISTS (SELECT 1 FROM lots_booksmonth WHERE state = 'closed' "
                "AND NEW.occurred_at < ends_at) "
                f"BEGIN SELECT RAISE(ABORT, '{CLOSED_MONTH_MESSAGE}'); END"
            )


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
    with schema_editor.connection.cursor() as cursor:
        on_table = " ON lots_movement" if schema_editor.connection.vendor == "postgresql" else ""
        cursor.execute(f"DROP TRIGGER IF EXISTS lots_movement_open_month{on_table}")


def _append_only_sql(vendor: str, table: str) -> list[str]:
    if vendor == "postgresql":
        return [
            f"CREATE OR REPLACE TRIGGER {table}_kept BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION ledger_refuse_change()",
            f"CREATE OR REPLACE TRIGGER {table}_kept_whole BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION ledger_refuse_change()",
        ]
    return [
        f"CREATE TRIGGER IF NOT EXISTS {table}_no_update BEFORE UPDATE ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{APPEND_ONLY_MESSAGE}'); END",
        f"CREATE TRIGGER IF NOT EXISTS {table}_no_delete BEFORE DELETE ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{APPEND_ONLY_MESSAGE}'); END",
    ]
