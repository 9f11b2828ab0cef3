"""A report as recorded by a moment says for ever what it said then, whatever is written late."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

from lots import clock
from lots.ledger.holdings import AsOf
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.rulings import rule_assay
from lots.models import ProcessBatch
from lots.services.ownership import change_owner
from lots.services.process_batches import Inputs, close_batch, start_batch
from lots.services.taking import Take
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off
from reports.queries.inventory import inventory
from reports.queries.lot.lot_sheet import lot_sheet
from reports.queries.month.best_estimate import best_estimate
from reports.queries.month.claims_statement import claims_statement
from reports.queries.month.difference_sequence import difference_sequences
from reports.queries.month.figure_uncertainty import inventory_uncertainty, statement_uncertainty
from reports.queries.month.losses import losses
from reports.queries.month.month_pack import month_pack
from reports.queries.month.month_statement import month_statement
from reports.queries.month.periods import Period
from reports.queries.movements_list import movement_rows
from reports.queries.obligations import obligations
from tests.builders import receive
from tests.reports.conftest import JUNE_NOON, G

REPORTS: dict[str, Callable[[Any, Period, dt.datetime | None], Any]] = {
    "inventory": lambda lot, month, recorded: inventory(AsOf(recorded=recorded)),
    "uncertainty": lambda lot, month, recorded: inventory_uncertainty(AsOf(recorded=recorded)),
    "obligations": lambda lot, month, recorded: obligations(AsOf(recorded=recorded)),
    "lot": lambda lot, month, recorded: lot_sheet(lot, AsOf(recorded=recorded)),
    "statement": lambda lot, month, recorded: month_statement(month, recorded),
    "its uncertainty": lambda lot, month, at: statement_uncertainty(month, recorded=at),
    "claims": lambda lot, month, recorded: claims_statement(month, recorded=recorded),
    "losses": lambda lot, month, at: losses(month.starts_at, month.ends_at, recorded=at),
    "movements": lambda lot, month, at: list(movement_rows(month.starts_at, month.ends_at, at)),
    "pack": lambda lot, month, recorded: month_pack(month, recorded=recorded),
    "differences": lambda lot, month, at: difference_sequences(month, recorded=at),
    "estimate": lambda lot, month, recorded: best_estimate(month, recorded),
}


def write_late(spring: SimpleNamespace, at: Callable[..., Any]) -> None:
    """Of March: a customer's metal that joins the pool. Of April: a loss, a ruling, and more."""
    works = spring.works
    lot = receive(works, at(3, 30), owner=works.brackwater)
    change_owner(lot=lot, owner=works.house, act=at(3, 31), as_claim=True)
    write_off(lot=spring.crystal, cause="spill", stage="store", act=at(4, 25), mass_ug=3 * G)
    transfer_lot(lot=spring.crystal, place=works.places["quarantine"], act=at(4, 26))
    report = AssayReport("xrf", works.laboratory, {"Ag": Finding(Decimal(910), Decimal(1))})
    assay = record_assay(lot=spring.apart, report=report, act=at(4, 27))
    rule_assay(assay=assay, reason="it came", act=at(4, 27))
    change_owner(lot=spring.apart, owner=works.house, act=at(5, 4), as_claim=True)
    melt = Inputs([Take(spring.house_feed, mass_ug=10 * G)])
    bench = works.places["melt-bench"]
    batch = start_batch(kind=ProcessBatch.Kind.MELT, place=bench, inputs=melt, act=at(4, 28))
    close_batch(batch=batch, act=at(4, 29))
    reverse_movement(movement=spring.spilled, reason="found it", act=at(4, 20))


def test_what_is_written_late_changes_no_report_as_recorded_before(
    in_june: SimpleNamespace, at: Callable[..., Any], april: Period
) -> None:
    def read(recorded: dt.datetime | None) -> dict[str, Any]:
        return {name: report(in_june.crystal, april, recorded) for name, report in REPORTS.items()}

    before = read(JUNE_NOON)
    with clock.at(JUNE_NOON + dt.timedelta(hours=1)):
        write_late(in_june, at)
        after, now = read(JUNE_NOON), read(None)
    for name in REPORTS:
        assert after[name] == before[name], name
        assert now[name] != before[name], name
