"""The end of the ledger can't be cut off, nor its guards hollowed out, without being found."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import pytest
from django.db import connection

from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.models import EventSubscription, Lot, LotNumber, Movement, Seal, TraceCheckpoint
from lots.services.process_batches import Inputs, start_batch
from lots.services.shipping import ship_lot
from lots.services.taking import Take
from lots.services.transfer import transfer_lot
from tests.builders import receive
from tests.conftest import MORNING, ON_POSTGRESQL
from tests.databases import unguarded

Make = Callable[..., Act]
LINES = ("lots_entry", "lots_claimentry", "lots_materialentry", "lots_lotstanding")
# Keys that were given out are remembered by SQLite alone: PostgreSQL counts those rolled back too.
KEYS = set() if ON_POSTGRESQL else {"counters"}


def findings() -> set[str]:
    return {result.check.name for result in run_checks() if result.found}


def rows_of(check: str) -> list[dict[str, object]]:
    return next(result.rows for result in run_checks() if result.check.name == check)


def run(*statements: str) -> None:
    """As an intruder would, who takes the triggers away and puts them back."""
    with unguarded(connection), connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)
            assert cursor.rowcount != 0, f"nothing was hit by: {statement}"


def cut_last_movement() -> None:
    """Takes out the last movement and its lines, and sets the head back to the one before."""
    last, before = Movement.objects.order_by("-sequence")[:2]
    with unguarded(connection), connection.cursor() as cursor:
        for table in LINES:
            cursor.execute(f"DELETE FROM {table} WHERE movement_id = {last.pk}")
        cursor.execute(f"DELETE FROM lots_movement WHERE id = {last.pk}")
        cursor.execute(
            "UPDATE lots_ledgerhead SET last_sequence = %s, last_digest = %s, "
            "last_recorded_at = (SELECT recorded_at FROM lots_movement WHERE id = %s)",
            [before.sequence, before.digest, before.pk],
        )


@pytest.fixture
def two_lots(works: SimpleNamespace, act: Make) -> list[Lot]:
    """Two lots received; nothing has happened to them since."""
    return [receive(works, act(hours)) for hours in (0, 1)]


def test_a_shipment_taken_out_with_its_lines_is_found_by_the_seal_that_names_it(
    works: SimpleNamespace, act: Make, two_lots: list[Lot]
) -> None:
    before = Lot.objects.values().get(pk=two_lots[1].pk)
    shipment = ship_lot(lot=two_lots[1], to=works.pellow, act=act(2))
    assert findings() == set()
    cut_last_movement()
    Lot.objects.filter(pk=two_lots[1].pk).update(**before)
    assert findings() == {"seals"} | KEYS
    (found,) = rows_of("seals")
    assert found["ledger_digest"] == shipment.digest


def test_every_request_that_posts_is_sealed_whatever_else_it_writes(
    works: SimpleNamespace, act: Make, two_lots: list[Lot]
) -> None:
    lot = two_lots[0]
    moved = transfer_lot(lot=lot, place=works.places["quarantine"], act=act(2))
    assert Seal.objects.latest("number").ledger_digest == moved.digest
    assert not Seal.objects.latest("number").rows.exists()
    assert findings() == set()


def test_seals_cut_off_with_their_movement_are_found_by_what_they_left_behind(
    works: SimpleNamespace, act: Make, two_lots: list[Lot]
) -> None:
    """Codes given out, and on SQLite every key. A cut that leaves nothing behind is not found."""
    before = Lot.objects.values().get(pk=two_lots[1].pk)
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(two_lots[1])]),
        act=act(2),
    )
    seal = Seal.objects.latest("number")
    cut_last_movement()
    Lot.objects.filter(pk=two_lots[1].pk).update(**before)
    run(
        f"DELETE FROM lots_sealedrow WHERE seal_id = {seal.number}",
        f"DELETE FROM lots_seal WHERE number = {seal.number}",
        f"UPDATE lots_ledgerhead SET last_seal = {seal.number - 1}, last_seal_digest = "
        f"(SELECT digest FROM lots_seal WHERE number = {seal.number - 1})",
        f"DELETE FROM lots_processbatch WHERE id = {batch.pk}",
        f"DELETE FROM lots_lot WHERE id = {batch.vessel_id}",
    )
    assert findings() == {"counters"}
    counters = {row["counter"] for row in rows_of("counters")}
    assert {f"codes {code[:4]}" for code in (batch.code, batch.vessel.code)} <= counters


def test_a_ledger_without_a_head_is_found(two_lots: list[Lot]) -> None:
    run("DELETE FROM lots_ledgerhead")
    assert findings() == {"head", "seals"}


def test_a_counter_that_was_set_forward_is_found(two_lots: list[Lot]) -> None:
    counter = LotNumber.objects.get(prefix="FD")
    LotNumber.objects.filter(pk=counter.pk).update(last_number=4)
    assert [(row["counter"], row["number"]) for row in rows_of("counters")] == [
        ("codes FD26", 3),
        ("codes FD26", 4),
    ]
    assert findings() == {"counters"}


def test_whatever_tells_of_a_movement_beyond_the_last_is_found(
    works: SimpleNamespace, two_lots: list[Lot]
) -> None:
    TraceCheckpoint.objects.create(
        moment=MORNING, last_sequence=3, recorded_until=MORNING, made_at=MORNING, is_stale=True
    )
    receiver = EventSubscription.objects.create(
        name="r", url="https://r", salt="s", after=9, created_at=MORNING, created_by=works.manager
    )
    receiver.deliveries.create(
        sequence=8, state="given_up", tries=1, first_tried_at=MORNING, last_tried_at=MORNING
    )
    assert [(row["counter"], row["number"]) for row in rows_of("counters")] == [
        ("lots_tracecheckpoint", 3),
        ("lots_eventsubscription", 9),
        ("lots_eventdelivery", 8),
    ]


@pytest.mark.skipif(ON_POSTGRESQL, reason="PostgreSQL counts keys that were rolled back")
def test_a_key_that_was_given_out_and_is_gone_is_found(two_lots: list[Lot]) -> None:
    run("DELETE FROM lots_lotstanding WHERE id = (SELECT MAX(id) FROM lots_lotstanding)")
    (row,) = rows_of("counters")
    assert row["counter"] == "keys of lots_lotstanding"
    run("DELETE FROM sqlite_sequence WHERE name = 'lots_movement'")
    assert len(rows_of("counters")) == 2


HOLLOW_SQLITE = {
    "that never fires": (
        "DROP TRIGGER lots_entry_no_delete",
        "CREATE TRIGGER lots_entry_no_delete BEFORE DELETE ON lots_entry WHEN 0 BEGIN SELECT "
        "RAISE(ABORT, 'append-only: posted rows are never changed; reverse them'); END",
    ),
    "on one column only": (
        "DROP TRIGGER lots_entry_no_update",
        "CREATE TRIGGER lots_entry_no_update BEFORE UPDATE OF id ON lots_entry BEGIN SELECT "
        "RAISE(ABORT, 'append-only: posted rows are never changed; reverse them'); END",
    ),
    "on another table": (
        "DROP TRIGGER lots_entry_no_update",
        "CREATE TRIGGER lots_entry_no_update BEFORE UPDATE ON lots_place BEGIN SELECT "
        "RAISE(ABORT, 'append-only: posted rows are never changed; reverse them'); END",
    ),
    "for other months": (
        "DROP TRIGGER lots_movement_open_month",
        "CREATE TRIGGER lots_movement_open_month BEFORE INSERT ON lots_movement WHEN EXISTS "
        "(SELECT 1 FROM lots_booksmonth WHERE state = 'shut' AND NEW.occurred_at < ends_at) "
        "BEGIN SELECT RAISE(ABORT, 'closed month: nothing can be posted into it'); END",
    ),
}
_KEPT = "BEFORE UPDATE OR DELETE ON lots_entry FOR EACH ROW"
HOLLOW_POSTGRESQL = {
    "that never fires": (
        f"CREATE OR REPLACE TRIGGER lots_entry_kept {_KEPT} "
        "WHEN (false) EXECUTE FUNCTION ledger_refuse_change()",
    ),
    "on one column only": (
        "CREATE OR REPLACE TRIGGER lots_entry_kept BEFORE UPDATE OF id OR DELETE ON lots_entry "
        "FOR EACH ROW EXECUTE FUNCTION ledger_refuse_change()",
    ),
    "switched off": ("ALTER TABLE lots_entry DISABLE TRIGGER lots_entry_kept",),
    "switched off but for replicas": (
        "ALTER TABLE lots_entry ENABLE REPLICA TRIGGER lots_entry_kept",
    ),
    "with another function of that name": (
        "CREATE SCHEMA elsewhere",
        "CREATE FUNCTION elsewhere.ledger_refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RETURN OLD; END $$",
        f"CREATE OR REPLACE TRIGGER lots_entry_kept {_KEPT} "
        "EXECUTE FUNCTION elsewhere.ledger_refuse_change()",
    ),
    "with a function that returns first": (
        "CREATE OR REPLACE FUNCTION ledger_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$ "
        "BEGIN RETURN OLD; RAISE EXCEPTION 'append-only: posted rows are never changed; reverse "
        "them' USING ERRCODE = 'integrity_constraint_violation'; END $$",
    ),
    "with a function that reads another's months": (
        "ALTER FUNCTION ledger_refuse_closed_month() SET search_path = 'elsewhere'",
    ),
    "in a session that acts as a replica": ("SET session_replication_role = 'replica'",),
}
HOLLOW = HOLLOW_POSTGRESQL if ON_POSTGRESQL else HOLLOW_SQLITE


@pytest.mark.parametrize("how", HOLLOW)
def test_a_guard_is_found_hollow(db: None, how: str) -> None:
    assert findings() == set()
    with connection.cursor() as cursor:
        for statement in HOLLOW[how]:
            cursor.execute(statement)
        found = rows_of("guards")
        if ON_POSTGRESQL:
            cursor.execute("SET session_replication_role = 'origin'")
    assert found, how
    names = {str(row["trigger"]) for row in found}
    assert {"lots_movement_open_month"} == names or any("lots_entry" in name for name in names)


@pytest.mark.postgresql
def test_a_guard_that_always_fires_is_no_finding(db: None) -> None:
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE lots_entry ENABLE ALWAYS TRIGGER lots_entry_kept")
    assert findings() == set()
