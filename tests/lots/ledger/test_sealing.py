"""What a request writes is sealed with it; what no request seals waits for `seal_ledger`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from lots.keeping.sealed_tables import sealed_tables
from lots.ledger import sealing
from lots.ledger.recording import Act
from lots.ledger.seal_findings import broken_seals, rows_not_as_sealed
from lots.measurements.assays import record_assay
from lots.models import Movement, Seal, SealedRow, SealLayout, Weighing
from lots.services.transfer import transfer_lot
from tests.builders import receive

Make = Callable[..., Act]


def test_a_table_sealed_from_this_version_on_is_sealed_by_the_next_seal_ledger(
    works: SimpleNamespace, act: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = {name: table for name, table in sealed_tables().items() if name != "lots_weighing"}
    with monkeypatch.context() as version_before:
        version_before.setattr(sealing, "sealed_tables", lambda: before)
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
