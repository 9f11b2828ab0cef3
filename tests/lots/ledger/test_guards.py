"""The database itself refuses changes to posted rows, whoever asks and by whatever way."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import pytest
from django.apps import apps
from django.db import DatabaseError, connection, transaction
from django.db.migrations import RunPython
from django.db.migrations.loader import MigrationLoader

from lots.ledger import guards
from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.models import Entry, Lot, Movement
from tests.builders import receive
from tests.conftest import MORNING
from tests.lots.ledger.test_posting import close_month_of, post_draft, to_loss

Make = Callable[..., Act]


@pytest.fixture
def assayed(works: SimpleNamespace, act: Make) -> Lot:
    lot = receive(works, act())
    report = AssayReport("fire_assay", works.laboratory, {"Ag": Finding(925, 1)})  # type: ignore[arg-type]
    record_assay(lot=lot, report=report, act=act(1))
    post_draft(draft=to_loss(lot, 1), act=act(2))
    return lot


def refused_by_database(statement: str, message: str) -> None:
    with (
        pytest.raises(DatabaseError, match=message),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)


FILLED = (
    "lots_movement",
    "lots_entry",
    "lots_claimentry",
    "lots_materialentry",
    "lots_lotstanding",
    "lots_measurement",
    "lots_weighing",
    "lots_assay",
    "lots_assayresult",
)


@pytest.mark.parametrize("table", FILLED)
def test_posted_rows_take_no_update_and_no_delete(assayed: Lot, table: str) -> None:
    key = "measurement_ptr_id" if table == "lots_weighing" else "id"
    refused_by_database(f"UPDATE {table} SET {key} = {key}", "append-only")
    refused_by_database(f"DELETE FROM {table}", "append-only")


@pytest.mark.postgresql
@pytest.mark.parametrize("table", FILLED)
def test_posted_rows_take_no_truncate(db: None, table: str) -> None:
    refused_by_database(f"TRUNCATE {table} CASCADE", "append-only")


def test_the_orm_is_refused_too(assayed: Lot) -> None:
    entry = Entry.objects.first()
    assert entry is not None
    entry.mass_ug += 1
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        entry.save()
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        Movement.objects.update(note="rewritten")


def test_a_closed_month_takes_no_movement_even_past_the_service(
    works: SimpleNamespace, act: Make
) -> None:
    receive(works, act())
    april = MORNING.replace(month=4)
    close_month_of(april)
    movement = Movement.objects.get()
    movement.pk, movement.sequence, movement.occurred_at = None, 2, april
    with pytest.raises(DatabaseError, match="closed month"), transaction.atomic():
        movement.save(force_insert=True)
    movement.pk, movement.occurred_at = None, MORNING
    movement.save(force_insert=True)


def installed() -> set[str]:
    found = (
        "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
        if connection.vendor == "postgresql"
        else "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    )
    with connection.cursor() as cursor:
        cursor.execute(found)
        return {name for (name,) in cursor.fetchall()}


def test_every_guarded_table_is_named_by_its_app(db: None) -> None:
    """An app's AppConfig names its append-only tables, or check_ledger would not miss a trigger."""
    assert installed() == set(guards.expected_triggers(connection.vendor))


def test_migrations_take_every_guard_away_and_put_it_back(db: None) -> None:
    migrations = MigrationLoader(None).disk_migrations
    steps = [
        step
        for (app, _), migration in sorted(migrations.items())
        if app in {"lots", "cells", "reports"}
        for step in migration.operations
        if isinstance(step, RunPython)
    ]
    editor = SimpleNamespace(connection=connection, execute=connection.cursor().execute)
    for step in reversed(steps):
        step.reverse_code(apps, editor)  # type: ignore[misc]
    assert installed() == set()
    for step in steps:
        step.code(apps, editor)
    assert installed() == set(guards.expected_triggers(connection.vendor))


def test_lots_names_every_table_that_history_hangs_on(db: None) -> None:
    kept = set(guards.guarded_tables())
    changeable = {
        "lots_account",
        "lots_apitoken",
        "lots_balance",
        "lots_barrecord",
        "lots_booksmonth",
        "lots_document",
        "lots_eventdelivery",
        "lots_eventsubscription",
        "lots_excess",
        "lots_importdraft",
        "lots_keptmixture",
        "lots_keptform",
        "lots_ledgerhead",
        "lots_lot",
        "lots_lotnumber",
        "lots_party",
        "lots_person",
        "lots_place",
        "lots_processbatch",
        "lots_recordedrequest",
        "lots_signinattempt",
        "lots_signinlink",
        "lots_tracecheckpoint",
    }
    tables = {model._meta.db_table for model in apps.get_app_config("lots").get_models()}
    assert {table for table in kept if table.startswith("lots_")} == tables - changeable


def test_guards_come_off_and_on_again(works: SimpleNamespace, act: Make) -> None:
    receive(works, act())
    guards.changeable(connection, ["lots_entry"])
    assert Entry.objects.update(standard_uncertainty_ug=1) == 4
    guards.append_only(connection, ["lots_entry"])
    refused_by_database("UPDATE lots_entry SET id = id", "append-only")
