"""What a request writes is sealed with it; what no request seals waits for `seal_ledger`."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from lots.keeping.sealed_tables import sealed_tables
from lots.ledger import sealing
from lots.ledger.recording import Act
from lots.ledger.seal_findings import rows_not_as_sealed
from lots.measurements.assays import record_assay
from lots.models import Seal, SealedRow, SealLayout, Weighing
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
