"""Lots, inventory and losses as workbooks recalculate to their JSON."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from lots.ledger.holdings import NOW
from reports.exports.inventory import inventory_tables
from reports.exports.losses import loss_tables
from reports.exports.lot_balances import lot_balances_table, lot_sheet_tables
from reports.exports.tables import as_json
from reports.queries.inventory import inventory
from reports.queries.lot.lot_sheet import lot_balances, lot_list, lot_sheet
from reports.queries.month.losses import losses
from reports.services.prices import record_price
from tests.reports.conftest import on
from tests.reports.exports.recalculated import assert_recalculates, needs_libreoffice


def test_lot_list_totals_what_all_lots_hold(spring: SimpleNamespace) -> None:
    table = as_json(lot_balances_table(lot_balances(list(lot_list())), NOW))
    totals = {each["metal"]: each["now_ug"] for each in table["totals"]}
    assert totals == {each.metal: each.holdings_ug for each in inventory().positions}


def test_lot_sheet_totals_are_what_the_lot_holds(spring: SimpleNamespace) -> None:
    kinds, lines = (as_json(table) for table in lot_sheet_tables(lot_sheet(spring.house_feed)))
    assert {each["metal"]: each["mass_g"] for each in kinds["totals"]} == {
        "Ag": "317.600000",
        "Au": "0.496250",
        "Cu": "75.430000",
    }
    assert [each["mass_ug"] for each in lines["totals"]] == [
        each["mass_ug"] for each in kinds["totals"]
    ]


@needs_libreoffice
@pytest.mark.libreoffice
def test_every_workbook_of_lots_and_losses_recalculates_to_the_json(
    spring: SimpleNamespace, at: Any, tmp_path: Path
) -> None:
    for metal, price in (("Ag", "31.4159"), ("Cu", "0.0123")):
        record_price(
            metal=metal,
            per_unit="ozt",
            price=Decimal(price),
            currency="EUR",
            from_date=dt.date(2026, 1, 1),
            act=at(4, 1),
        )
    tables = [
        lot_balances_table(lot_balances(list(lot_list())), NOW),
        *lot_sheet_tables(lot_sheet(spring.house_feed)),
        *inventory_tables(inventory()),
        *loss_tables(losses(on(4, 1, 0), on(6, 1, 0), currency="EUR")),
    ]
    assert assert_recalculates(tables, tmp_path) > 250
