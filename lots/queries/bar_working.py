"""How a listed bar's figures came about, and what the other rules would have given."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import cast

from lots.bar_workings import RuleOutcome, Step, compare_rules, table_bar, workings
from lots.bars import Basis, FineWeight, GrossWeight
from lots.models import BarRecord
from lots.queries.bar_list import bar_row


@dataclass(frozen=True)
class BarWorking:
    steps: list[Step]
    rules: list[RuleOutcome]


def bar_working(record: BarRecord) -> BarWorking:
    """The working of one entry, from what the entry itself states."""
    row = bar_row(record)
    gross = GrossWeight(row.metal, row.mass_ug, row.gross_ozt, row.gross_rule)
    return working_of(gross, row.fineness_ppt, _fine(record, row.fineness_ppt, row.fine_ozt))


def working_of(gross: GrossWeight, fineness_ppt: Decimal, fine: FineWeight | None) -> BarWorking:
    """The working of figures not yet listed."""
    return BarWorking(workings(gross, fineness_ppt, fine), compare_rules(gross, fineness_ppt, fine))


def _fine(record: BarRecord, fineness_ppt: Decimal, fine_ozt: Decimal | None) -> FineWeight | None:
    if fine_ozt is None:
        return None
    return FineWeight(
        metal=record.metal,
        bar=table_bar(fineness_ppt, fine_ozt),
        assay_ppt=fineness_ppt,
        fine_ozt=fine_ozt,
        basis=cast(Basis, record.fine_basis),
        rule=record.fine_rule,
        source=record.fine_source,
    )
