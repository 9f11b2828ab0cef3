"""What a request writes is sealed with it; what no request seals waits for `seal_ledger`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import connection, transaction
from django.db.models import F

from lots.keeping.sealed_tables import sealed_tables
from lots.ledger import guards, sealing
from lots.ledger.recording import Act, recorded_once
from lots.ledger.seal_findings import broken_seals, rows_not_as_sealed
from lots.measurements.assays import record_assay
from lots.models import (
    BooksMonth,
    LedgerHead,
    Lot,
    Movement,
    Seal,
    SealedRow,
    SealLayout,
    Weighing,
    WorksZone,
)
from lots.services.transfer import transfer_lot
from tests.builders import receive, row_counts
from tests.conftest import MORNING

Make = Callable[..., Act]


def test_a_table_sealed_from_this_version_on_is_sealed_by_the_next_seal_ledger(
    works: SimpleNamespace, act: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = {name: table for name, table in sealed_tables().items() if name != "lots_weighing"}
    guards.leave_uncounted(connection, ["lots_weighing"])
    with monkeypatch.context() as version_before:
        version_before.setattr(sealing, "sealed_tables", lambda: before)
        version_before.setattr(Weighing, "is_sealed_late", True)
        for _ in range(2):
            receive(works, act())
    assert {row["row_id"] for row in rows_not_as_sealed()} == set(
        Weighing.objects.values_list("pk", flat=True)
    )
    assert sealing.seal_waiting() == Seal.objects.latest("number")
    assert list(rows_not_as_sealed()) == []
    assert sealing.seal_waiting() is None


def test_a_table_has_one_layout_however_many_rows_are_sealed(
    works: SimpleNamespace, act: Make, report: Callable[..., Any]
) -> None:
    lot = receive(works, act())
    record_assay(lot=lot, report=report({"Ag": "920", "Cu": "70", "Au": "1"}), act=act(1))
    record_assay(lot=lot, report=report({"Ag": "921"}), act=act(2))
    tables = list(SealLayout.objects.values_list("table_name", flat=True))
    assert len(tables) == len(set(tables))
    assert SealedRow.objects.filter(layout__table_name="lots_assayresult").count() == 4


def test_a_column_sealed_from_this_version_on_makes_one_more_layout(
    works: SimpleNamespace, act: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    narrow = replace(sealed_tables()["lots_lot"], columns=sealed_tables()["lots_lot"].columns[:-1])
    with monkeypatch.context() as version_before:
        tables = {**sealed_tables(), "lots_lot": narrow}
        version_before.setattr(sealing, "sealed_tables", lambda: tables)
        receive(works, act())
    for _ in range(2):
        receive(works, act())
    columns = SealLayout.objects.filter(table_name="lots_lot").order_by("id")
    assert [len(each.columns) for each in columns] == [5, 6]
    assert list(rows_not_as_sealed()) == []


def test_a_request_seals_its_own_rows_and_none_besides(
    works: SimpleNamespace, act: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sealing, "_ROWS_AT_ONCE", 1)
    lots = [receive(works, act()) for _ in range(2)]
    transfer_lot(lot=lots[0], place=works.places["melt-bench"], act=act(1))
    for table in ("lots_lot", "lots_weighing"):
        sealed = SealedRow.objects.filter(layout__table_name=table).values_list("seal", "row_id")
        assert [seal for seal, _ in sealed] == [1, 2], table
    assert Seal.objects.latest("number").ledger_digest == Movement.objects.get(sequence=3).digest
    assert list(broken_seals()) == []


def serve(act: Act, how: Callable[[], object]) -> None:
    """Runs a service that writes in this way."""

    @recorded_once
    def written(*, act: Act) -> Lot:
        how()
        return Lot.objects.order_by("pk")[0]

    written(act=act)


def sealed_in(seal: Seal) -> list[tuple[str, int]]:
    rows = SealedRow.objects.filter(seal=seal).order_by("pk")
    return list(rows.values_list("layout__table_name", "row_id"))


def by_hand(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)


PAST_THE_MODEL: dict[str, Callable[[], object]] = {
    "raw update": lambda: by_hand("UPDATE lots_lot SET description = 'another'"),
    "raw update of a row that was saved": lambda: (
        Lot.objects.update(description="one"),
        Lot._base_manager.update(description="another"),
    ),
    "raw insert": lambda: by_hand(
        "INSERT INTO lots_workszone (name, fixed_at) VALUES ('UTC', '2026-05-04 09:00:00')"
    ),
    "update past the manager": lambda: Lot._base_manager.update(code="another"),
    "bulk_create past the manager": lambda: WorksZone._base_manager.bulk_create(
        [WorksZone(name="UTC", fixed_at=MORNING)]
    ),
    "raw delete": lambda: by_hand("DELETE FROM lots_booksmonth"),
}


@pytest.mark.parametrize("how", PAST_THE_MODEL)
def test_a_write_past_the_model_takes_the_whole_request_back(
    works: SimpleNamespace, act: Make, how: str
) -> None:
    BooksMonth.objects.create(
        first_day=MORNING.date(), starts_at=MORNING, ends_at=MORNING + dt.timedelta(days=1)
    )
    receive(works, act())
    before = [dict(row_counts()), Lot.objects.values().get(), LedgerHead.objects.values().get()]
    with pytest.raises(sealing.UnannouncedWriteError, match=r"1 of [12] writes"):
        serve(act(1), PAST_THE_MODEL[how])
    assert before == [row_counts(), Lot.objects.values().get(), LedgerHead.objects.values().get()]
    transfer_lot(lot=Lot.objects.get(), place=works.places["melt-bench"], act=act(2))


def test_every_way_of_a_sealed_model_is_sealed(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act())
    day = dt.timedelta(days=1)

    def all_ways() -> None:
        Lot.objects.filter(pk=lot.pk).update(description="another")
        month = BooksMonth(first_day=MORNING.date(), starts_at=MORNING, ends_at=MORNING + day)
        BooksMonth.objects.bulk_create([month])
        month.state = "closed"
        month.save(update_fields=["state"])
        WorksZone.objects.get_or_create(name="UTC", defaults={"fixed_at": MORNING})

    serve(act(1), all_ways)
    found = sealed_in(Seal.objects.latest("number"))
    assert found == [
        ("lots_booksmonth", BooksMonth.objects.get().pk),
        ("lots_lot", lot.pk),
        ("lots_workszone", WorksZone.objects.get().pk),
    ]
    assert list(rows_not_as_sealed()) == []


def test_what_follows_from_the_ledger_is_neither_sealed_nor_missed(
    works: SimpleNamespace, act: Make
) -> None:
    lot = receive(works, act())

    def states() -> None:
        Lot.objects.filter(pk=lot.pk).update(state_reason="torn", version=F("version") + 1)
        lot.state_reason = "torn again"
        lot.save(update_fields=["state_reason"])
        by_hand("UPDATE lots_lot SET state_reason = 'and again'")

    serve(act(1), states)
    assert Seal.objects.count() == 1


def test_what_a_savepoint_took_back_is_not_missed(works: SimpleNamespace, act: Make) -> None:
    receive(works, act())

    def refused_inside() -> None:
        with suppress(ZeroDivisionError), transaction.atomic():
            WorksZone.objects.create(name="UTC", fixed_at=MORNING)
            raise ZeroDivisionError

    serve(act(1), refused_inside)
    assert list(rows_not_as_sealed()) == []
    assert Seal.objects.count() == 1


def test_what_is_written_outside_a_request_aborts_none(works: SimpleNamespace, act: Make) -> None:
    receive(works, act())
    by_hand("UPDATE lots_lot SET description = 'another'")
    transfer_lot(lot=Lot.objects.get(), place=works.places["melt-bench"], act=act(1))
    assert [row["found"] for row in rows_not_as_sealed()] == ["changed"]
