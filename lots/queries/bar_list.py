"""The bar list: every bar's mark, weights and fineness, by which rule, and the totals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

from django.db.models import QuerySet

from lots.good_delivery import check_good_delivery
from lots.models import BarRecord
from lots.units import ug_to_g

RULES: Final = (
    "Large bars go by the London Good Delivery rules: gold is rounded down to 0.025 ozt and silver "
    "to 0.1 ozt, gold on a beam balance by the turn of the scale besides. Small gold bars go by an "
    "agreed table and not by a formula. Each bar says which rule gave its figures."
)
ONLY_FIGURES: Final = (
    "Looked at against London's limits are weight and fineness alone: not shape, marks or the "
    "refiner's standing."
)


@dataclass(frozen=True)
class BarRow:
    """One bar. `outside` names the limits of London Good Delivery that it does not keep."""

    mark: str
    lot: str
    lot_state: str
    metal: str
    mass_ug: int
    gross_g: Decimal
    gross_ozt: Decimal
    gross_rule: str
    fineness_ppt: Decimal
    fine_ozt: Decimal | None
    fine_basis: str
    fine_rule: str
    fine_source: str
    weighing: int
    assay: int
    listed_at: dt.datetime
    outside: tuple[str, ...]


@dataclass(frozen=True)
class BarTotal:
    """The bars of one metal together; `fine_ozt` is of those that state a fine weight."""

    metal: str
    bars: int
    gross_ozt: Decimal
    fine_ozt: Decimal
    without_fine: int


@dataclass(frozen=True)
class BarList:
    bars: tuple[BarRow, ...]
    totals: tuple[BarTotal, ...]
    notes: tuple[str, ...] = (RULES, ONLY_FIGURES)


def bar_totals(records: QuerySet[BarRecord]) -> list[BarTotal]:
    """The totals of a list by metal, without its rows: one query, summed exactly."""
    totals: dict[str, BarTotal] = {}
    for metal, gross_ozt, fine_ozt in records.order_by("metal").values_list(
        "metal", "gross_ozt", "fine_ozt"
    ):
        before = totals.get(metal, BarTotal(metal, 0, Decimal(0), Decimal(0), 0))
        totals[metal] = BarTotal(
            metal,
            before.bars + 1,
            before.gross_ozt + gross_ozt,
            before.fine_ozt + (fine_ozt or 0),
            before.without_fine + (fine_ozt is None),
        )
    return [
        replace(each, gross_ozt=_plain(each.gross_ozt), fine_ozt=_plain(each.fine_ozt))
        for each in totals.values()
    ]


def bar_list(records: Iterable[BarRecord]) -> BarList:
    """The list of these entries, in their order; `lot` must be at hand with each."""
    rows = tuple(bar_row(record) for record in records)
    metals = dict.fromkeys(row.metal for row in rows)
    return BarList(rows, tuple(_total(metal, rows) for metal in metals))


def bar_row(record: BarRecord) -> BarRow:
    return BarRow(
        mark=record.mark,
        lot=record.lot.code,
        lot_state=record.lot.state,
        metal=record.metal,
        mass_ug=record.mass_ug,
        gross_g=ug_to_g(record.mass_ug),
        gross_ozt=_plain(record.gross_ozt),
        gross_rule=record.gross_rule,
        fineness_ppt=_plain(record.fineness_ppt),
        fine_ozt=None if record.fine_ozt is None else _plain(record.fine_ozt),
        fine_basis=record.fine_basis,
        fine_rule=record.fine_rule,
        fine_source=record.fine_source,
        weighing=record.weighing_id,
        assay=record.assay_id,
        listed_at=record.listed_at,
        outside=_outside(record),
    )


def _total(metal: str, rows: Iterable[BarRow]) -> BarTotal:
    of_metal = [row for row in rows if row.metal == metal]
    fine = [row.fine_ozt for row in of_metal if row.fine_ozt is not None]
    return BarTotal(
        metal=metal,
        bars=len(of_metal),
        gross_ozt=sum((row.gross_ozt for row in of_metal), Decimal(0)),
        fine_ozt=sum(fine, Decimal(0)),
        without_fine=len(of_metal) - len(fine),
    )


def _outside(record: BarRecord) -> tuple[str, ...]:
    if record.metal not in {"Au", "Ag"}:
        return ()
    check = check_good_delivery(record.metal, record.gross_ozt, record.fineness_ppt)
    return tuple(each.message for each in check.findings if each.severity == "outside")


def _plain(value: Decimal) -> Decimal:
    """Without trailing zeros, three decimals at least."""
    shortest = value.normalize()
    return shortest if int(shortest.as_tuple().exponent) < -3 else value.quantize(Decimal("0.001"))
