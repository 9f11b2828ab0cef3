"""`manage.py check_ledger` finds nothing in a sound ledger, and each kind of damage by name."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from io import StringIO
from types import SimpleNamespace

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from lots.ledger import digest_chain
from lots.ledger.guard_findings import faulty_guards
from lots.ledger.ledger_checks import all_checks, run_checks
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.models import BooksMonth, Lot, Movement
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.taking import Take
from tests.builders import GRAM, receive, weighed_output
from tests.databases import unguarded


@pytest.fixture
def busy_ledger(works: SimpleNamespace, act: Callable[..., Act]) -> SimpleNamespace:
    """Metal of the house and of two customers, commingled, melted, partly reversed."""
    own = receive(works, act(0, "own"), 200)
    isoldes = receive(works, act(0.5, "isoldes"), 50, owner=works.brackwater)
    apart = receive(works, act(1, "apart"), 30, owner=works.pellow)
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(own, 150 * GRAM), Take(isoldes)]),
        act=act(2, "start"),
    )
    granules = record_output(batch=batch, output=weighed_output(works, 199), act=act(3, "out"))
    close_batch(batch=batch, act=act(4, "close"))
    mistaken = receive(works, act(5, "mistaken"), 10)
    reverse_movement(
        movement=Movement.objects.get(entries__lot=mistaken, entries__metal="Ag"),
        reason="entered twice",
        act=act(key="reversal"),
    )
    for first_day in (dt.date(2026, 3, 1), dt.date(2026, 4, 1)):
        starts_at = dt.datetime(first_day.year, first_day.month, 1, tzinfo=dt.UTC)
        BooksMonth.objects.create(
            first_day=first_day,
            starts_at=starts_at,
            ends_at=starts_at.replace(month=first_day.month + 1),
            state="closed",
        )
    call_command("seal_ledger", accept="months closed by hand", stdout=StringIO())
    return SimpleNamespace(own=own, isoldes=isoldes, apart=apart, granules=granules)


def findings() -> dict[str, list[dict[str, object]]]:
    return {result.check.name: result.rows for result in run_checks() if result.found}


def plant(statement: str) -> None:
    """Changes rows as an intruder would who took the triggers away and put them back."""
    with unguarded(connection), connection.cursor() as cursor:
        cursor.execute(statement)
        assert cursor.rowcount > 0, "the damage hit nothing"


def test_a_sound_ledger_passes_every_check(busy_ledger: SimpleNamespace) -> None:
    out = StringIO()
    call_command("check_ledger", stdout=out)
    assert f"The ledger is sound: {len(all_checks())} checks passed." in out.getvalue()
    assert "FOUND" not in out.getvalue()


def test_an_empty_ledger_is_sound(db: None) -> None:
    assert findings() == {}


FIRST = "(SELECT MIN(id) FROM {0})"
DAMAGE = {
    "one microgram more in one entry": (
        "UPDATE lots_entry SET mass_ug = mass_ug + 1 WHERE id = "
        "(SELECT MIN(id) FROM lots_entry WHERE account_id IS NOT NULL)",
        {"balanced", "digests"},
    ),
    "one microgram more owed to a customer": (
        "UPDATE lots_claimentry SET mass_ug = mass_ug + 1 WHERE id = "
        "(SELECT MAX(c.id) FROM lots_claimentry c JOIN lots_party p ON p.id = c.owner_id "
        "WHERE p.kind = 'customer')",
        {"claims-follow-pool", "holdings-are-claims-and-kept-apart", "digests"},
    ),
    "a customer's claim made the house's debt": (
        "UPDATE lots_claimentry SET mass_ug = -mass_ug WHERE owner_id = "
        "(SELECT id FROM lots_party WHERE code = 'brackwater')",
        {
            "claims-follow-pool",
            "claim-never-below-zero",
            "holdings-are-claims-and-kept-apart",
            "digests",
        },
    ),
    "a lot's own mass made less": (
        "UPDATE lots_materialentry SET mass_ug = 1 WHERE id = "
        + FIRST.format("lots_materialentry"),
        {"material-never-below-zero", "digests"},
    ),
    "an entry moved to another day": (
        "UPDATE lots_entry SET occurred_at = '2026-05-03 09:00:00' WHERE account_id IS NOT NULL",
        {"times-agree"},
    ),
    "a claim recorded at another time": (
        "UPDATE lots_claimentry SET recorded_at = '2026-05-09 09:00:00'",
        {"times-agree"},
    ),
    "a number left out": (
        "UPDATE lots_movement SET sequence = sequence + 7 WHERE sequence = "
        "(SELECT MAX(sequence) FROM lots_movement)",
        {"sequence", "head", "digests"},
    ),
    "the head set back": (
        "UPDATE lots_ledgerhead SET last_sequence = last_sequence - 1",
        {"head"},
    ),
    "a note rewritten": (
        "UPDATE lots_movement SET note = 'nothing to see' WHERE sequence = 2",
        {"digests"},
    ),
    "what a figure rests on rewritten": (
        "UPDATE lots_entry SET basis = 'measured' WHERE id = " + FIRST.format("lots_entry"),
        {"digests"},
    ),
    "a digest rewritten": (
        "UPDATE lots_movement SET digest = '" + "f" * 64 + "' WHERE sequence = 3",
        {"digests", "seals"},
    ),
    "a movement that calls itself a reversal": (
        "UPDATE lots_movement SET kind = 'reversal' WHERE sequence = 1",
        {"reversals", "digests"},
    ),
    "a reversal of half the metal": (
        "UPDATE lots_entry SET mass_ug = mass_ug / 2 WHERE metal = 'Cu' AND movement_id = "
        "(SELECT id FROM lots_movement WHERE reverses_id IS NOT NULL)",
        {
            "reversals",
            "digests",
            "claims-follow-pool",
            "holdings-are-claims-and-kept-apart",
            "state",
        },
    ),
    "a lot put elsewhere without a movement": (
        "UPDATE lots_lot SET place_id = (SELECT id FROM lots_place WHERE code = 'quarantine') "
        "WHERE id = " + FIRST.format("lots_lot"),
        {"standing"},
    ),
    "a customer's lot taken over by the house": (
        "UPDATE lots_lot SET owner_id = (SELECT id FROM lots_party WHERE kind = 'house') "
        "WHERE owner_id = (SELECT id FROM lots_party WHERE code = 'pellow-dane')",
        {"standing", "held-for-its-owner", "holdings-are-claims-and-kept-apart"},
    ),
    "a full lot called spent": (
        "UPDATE lots_lot SET state = 'spent' WHERE state = 'available'",
        {"state"},
    ),
    "a spent lot called available": (
        "UPDATE lots_lot SET state = 'available' WHERE state = 'spent'",
        {"state"},
    ),
    "a request whose answer is gone": (
        "UPDATE lots_recordedrequest SET result_pk = 999999 WHERE key = 'close'",
        {"requests"},
    ),
    "a request whose answer is of no known kind": (
        "UPDATE lots_recordedrequest SET result_model = 'lots.Nothing' WHERE key = 'close'",
        {"requests"},
    ),
    "months that overlap": (
        "UPDATE lots_booksmonth SET ends_at = '2026-04-02 00:00:00' WHERE first_day = '2026-03-01'",
        {"months", "as-sealed"},
    ),
    "months that leave a gap": (
        "UPDATE lots_booksmonth SET ends_at = '2026-03-31 00:00:00' WHERE first_day = '2026-03-01'",
        {"months", "as-sealed"},
    ),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_damage_is_found_by_name(busy_ledger: SimpleNamespace, damage: str) -> None:
    statement, names = DAMAGE[damage]
    assert findings() == {}
    plant(statement)
    assert set(findings()) == names
    with pytest.raises(CommandError, match="The ledger is not sound"):
        call_command("check_ledger", stdout=StringIO())


def test_a_movement_set_before_what_it_took_leaves_its_lot_below_zero(
    busy_ledger: SimpleNamespace,
) -> None:
    start = Movement.objects.get(kind="batch_input")
    for table in ("lots_entry", "lots_claimentry", "lots_materialentry", "lots_lotstanding"):
        plant(
            f"UPDATE {table} SET occurred_at = '2026-05-01 09:00:00' WHERE movement_id = {start.pk}"
        )
    plant(f"UPDATE lots_movement SET occurred_at = '2026-05-01 09:00:00' WHERE id = {start.pk}")
    found = findings()
    assert set(found) == {"lot-never-below-zero", "material-never-below-zero", "digests"}
    below = {(row["lot"], row["metal"]): row for row in found["lot-never-below-zero"]}
    assert set(below) == {
        (lot.code, metal)
        for lot in (busy_ledger.own, busy_ledger.isoldes)
        for metal in ("Ag", "Cu")
    }
    silver = below[busy_ledger.own.code, "Ag"]
    assert silver["lowest_ug"] == -138_750_000
    assert str(silver["at"]).startswith("2026-05-01 09:00")


def test_rows_taken_out_break_the_chain_even_when_all_sums_stay_right(
    busy_ledger: SimpleNamespace,
) -> None:
    movement = Movement.objects.get(reverses__isnull=False)
    original = movement.reverses
    assert original is not None
    for table in ("lots_entry", "lots_claimentry", "lots_materialentry"):
        plant(f"DELETE FROM {table} WHERE movement_id IN ({movement.pk}, {original.pk})")
    found = findings()
    # SQLite knows the last key that was given out, PostgreSQL not which of those were used.
    assert set(found) - {"counters"} == {"digests"}
    assert [row["sequence"] for row in found["digests"]] == [original.sequence, movement.sequence]


def test_the_chain_is_followed_over_batches(
    busy_ledger: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(digest_chain, "MOVEMENTS_AT_ONCE", 2)
    assert list(digest_chain.broken_links()) == []
    plant("UPDATE lots_movement SET note = 'x' WHERE sequence IN (2, 5)")
    assert [row["sequence"] for row in digest_chain.broken_links()] == [2, 5]


def test_a_missing_trigger_is_found(busy_ledger: SimpleNamespace) -> None:
    with unguarded(connection, back=False):
        pass
    assert set(findings()) == {"guards"}
    names = {row["trigger"] for row in faulty_guards()}
    assert "lots_movement_open_month" in names
    assert any(str(name).startswith("lots_entry_") for name in names)


def test_a_hollow_trigger_is_found(busy_ledger: SimpleNamespace) -> None:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "CREATE OR REPLACE FUNCTION ledger_refuse_closed_month() RETURNS trigger "
                "LANGUAGE plpgsql AS $$ BEGIN RETURN NEW; END $$"
            )
        else:
            cursor.execute("DROP TRIGGER lots_movement_open_month")
            cursor.execute(
                "CREATE TRIGGER lots_movement_open_month BEFORE INSERT ON lots_movement "
                "BEGIN SELECT 1; END"
            )
    found = findings()
    assert set(found) == {"guards"}
    assert [(row["trigger"], row["found"]) for row in found["guards"]] == [
        ("lots_movement_open_month", "changed")
    ]


def test_many_offending_rows_are_counted_but_only_some_shown(
    busy_ledger: SimpleNamespace,
) -> None:
    plant("UPDATE lots_entry SET mass_ug = mass_ug + 1 WHERE account_id IS NOT NULL")
    expected = (
        Movement.objects.filter(entries__account__isnull=False)
        .values("id", "entries__metal")
        .distinct()
        .count()
    )
    out = StringIO()
    with pytest.raises(CommandError, match="balanced, digests"):
        call_command("check_ledger", "--rows", "2", stdout=out)
    assert f"{expected} FOUND  balanced" in out.getvalue()
    assert f"... {expected} in all" in out.getvalue()
    assert out.getvalue().count("surplus_ug") == 2


def test_json_names_checks_counts_and_rows(busy_ledger: SimpleNamespace) -> None:
    out = StringIO()
    call_command("check_ledger", "--json", stdout=out)
    told = json.loads(out.getvalue())
    assert told["sound"] is True
    assert [check["name"] for check in told["checks"]] == [check.name for check in all_checks()]
    plant("UPDATE lots_lot SET state = 'spent' WHERE code = '" + busy_ledger.apart.code + "'")
    out = StringIO()
    with pytest.raises(CommandError):
        call_command("check_ledger", "--json", stdout=out)
    told = json.loads(out.getvalue())
    assert told["sound"] is False
    (state,) = [check for check in told["checks"] if check["found"]]
    assert state["name"] == "state"
    assert state["rows"] == [
        {
            "lot": busy_ledger.apart.code,
            "lot_id": busy_ledger.apart.pk,
            "state": Lot.State.SPENT,
            "holds": 1,
        }
    ]
