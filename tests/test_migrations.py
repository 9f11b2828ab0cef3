"""New migrations run while the version before still serves: what would break it needs a reason.

A migration says, as `safe_because = {"<operation>": "<reason>"}`, why an operation that is listed
here as dangerous is not. Operations are named as these tests print them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import migrations, models
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations.base import Operation

APPS = {"lots", "cells", "reports"}
# What made the tables in the first place, before anyone could be serving from them.
FIRST = {"0001_initial", "0002_guards"}
# They take away, or change under its hands, what the version before reads and writes.
ALWAYS = (
    migrations.RemoveField,
    migrations.RenameField,
    migrations.RenameModel,
    migrations.DeleteModel,
    migrations.AlterField,
    migrations.AlterModelTable,
    migrations.AlterUniqueTogether,
    migrations.RunSQL,
    migrations.RunPython,
)
# They read the whole table under a lock, unless the table is made in the same migration.
ON_A_FULL_TABLE = (migrations.AddConstraint, migrations.AddIndex)


def dangers(operations: list[Operation]) -> Iterator[str]:
    """The name of each operation that the version before may not survive."""
    made_here: set[str] = set()
    for operation in operations:
        known: Any = operation
        model = getattr(operation, "model_name", None) or getattr(operation, "name", "")
        name = " ".join(
            part
            for part in (type(operation).__name__, model, _field_of(operation))
            if isinstance(part, str) and part
        )
        if isinstance(operation, migrations.CreateModel):
            made_here.add(operation.name_lower)
        elif isinstance(operation, migrations.SeparateDatabaseAndState):
            yield from dangers(operation.database_operations)
        elif model.lower() in made_here and not isinstance(operation, ALWAYS[-2:]):
            continue
        elif isinstance(operation, (*ALWAYS, *ON_A_FULL_TABLE)) or (
            isinstance(operation, migrations.AddField) and _breaks_inserts(known.field)
        ):
            yield name


def _field_of(operation: Operation) -> str:
    known: Any = operation
    if isinstance(operation, migrations.RenameField):
        return f"{known.old_name} {known.new_name}"
    if isinstance(operation, migrations.AddConstraint):
        return str(known.constraint.name)
    if isinstance(operation, migrations.AddIndex):
        return str(known.index.name)
    return str(known.name) if hasattr(known, "model_name") else ""


def _breaks_inserts(field: models.Field[Any, Any]) -> bool:
    """The version before does not name the column when it inserts."""
    return not field.null and not field.has_db_default() and not field.many_to_many


def test_no_new_migration_breaks_the_version_before():
    loader = MigrationLoader(None, ignore_no_migrations=True)
    unexplained = {
        f"{app}.{name}": missing
        for (app, name), migration in loader.disk_migrations.items()
        if app in APPS and name not in FIRST
        if (
            missing := sorted(
                set(dangers(migration.operations)) - set(getattr(migration, "safe_because", {}))
            )
        )
    }
    assert unexplained == {}
    explained = {
        f"{app}.{name}": operation
        for (app, name), migration in loader.disk_migrations.items()
        for operation in getattr(migration, "safe_because", {})
        if operation not in set(dangers(migration.operations))
    }
    assert explained == {}, "no such operation: take its reason away"


@pytest.mark.parametrize(
    ("operation", "named"),
    [
        (migrations.RemoveField("lot", "place"), ["RemoveField lot place"]),
        (migrations.RenameField("lot", "place", "where"), ["RenameField lot place where"]),
        (migrations.AlterField("lot", "code", models.TextField()), ["AlterField lot code"]),
        (migrations.DeleteModel("Lot"), ["DeleteModel Lot"]),
        (migrations.RunSQL("SELECT 1"), ["RunSQL"]),
        (migrations.AddField("lot", "mark", models.TextField(default="")), ["AddField lot mark"]),
        (migrations.AddField("lot", "mark", models.TextField(null=True)), []),
        (migrations.AddField("lot", "mark", models.TextField(db_default="")), []),
        (
            migrations.AddIndex("entry", models.Index(fields=["metal"], name="entry_by_metal")),
            ["AddIndex entry entry_by_metal"],
        ),
        (migrations.CreateModel("Mark", [("id", models.BigAutoField(primary_key=True))]), []),
    ],
)
def test_what_is_dangerous_is_named(operation, named):
    assert list(dangers([operation])) == named


def test_a_table_made_in_the_same_migration_is_nobodys_yet():
    made = migrations.CreateModel("Mark", [("id", models.BigAutoField(primary_key=True))])
    index = migrations.AddIndex("mark", models.Index(fields=["id"], name="mark_by_id"))
    assert list(dangers([made, index])) == []
    assert list(dangers([index, made])) == ["AddIndex mark mark_by_id"]
