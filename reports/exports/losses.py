"""Losses as tables: each line, by stage, and month beside month."""

from __future__ import annotations

from collections.abc import Iterable

from reports.conventions import (
    OUNCE_RULE,
    PERCENT_RULE,
    SIGN_CONVENTION,
    STAGE_THROUGHPUT,
    VALUE_RULE,
)
from reports.exports.moments import span_note
from reports.exports.tables import Column, Kind, Ratio, Table
from reports.queries.month.losses import LossReport, LossSum

_SHARE = Column("percent", "Of throughput", Kind.PERCENT, 14, ratio=Ratio("mass", "throughput"))
_THROUGHPUT = Column("throughput", "Throughput of the stage", Kind.MASS, 18)
_LINES = (
    Column("month", "Month", width=10),
    Column("stage", "Stage", width=18),
    Column("metal", "Metal", width=8),
    Column("account", "Account", width=28),
    Column("kind", "Measured", width=14),
    Column("cause", "Cause", width=22),
    Column("movements", "Movements", Kind.WHOLE, 11, is_totalled=True),
    Column("mass", "Loss", Kind.MASS, 18, is_totalled=True),
    _THROUGHPUT,
    _SHARE,
)
_SUMS = (
    Column("month", "Month", width=10),
    Column("stage", "Stage", width=18),
    Column("metal", "Metal", width=8),
    Column("measured", "Measured, written off", Kind.MASS, 18, is_totalled=True),
    Column("unmeasured", "Unmeasured differences", Kind.MASS, 18, is_totalled=True),
    Column("mass", "Together", Kind.MASS, 18, is_totalled=True),
    _THROUGHPUT,
    _SHARE,
)


def loss_tables(report: LossReport) -> list[Table]:
    """Every line, then per stage, then the trend."""
    notes = [
        span_note(report.starts_at, report.ends_at),
        SIGN_CONVENTION,
        STAGE_THROUGHPUT,
        PERCENT_RULE,
        OUNCE_RULE,
    ]
    worth: tuple[Column, ...] = ()
    if report.currency:
        worth = (Column("value", f"Value, {report.currency}", Kind.MONEY, 14, is_totalled=True),)
        notes += [VALUE_RULE, *_price_notes(report)]
    lines = [
        {
            "month": f"{row.month:%Y-%m}",
            "stage": row.stage_name,
            "metal": row.metal,
            "account": row.account_name,
            "kind": "measured" if row.is_measured else "unmeasured",
            "cause": row.cause,
            "movements": row.movements,
            "mass": row.mass_ug,
            "throughput": row.throughput_ug,
            "value": row.value,
        }
        for row in report.rows
    ]
    return [
        Table("Losses", "Losses by stage and cause", (*_LINES, *worth), lines, notes, "metal"),
        Table(
            "Losses by stage",
            "Losses by stage, measured and unmeasured",
            tuple(column for column in (*_SUMS, *worth) if column.name != "month"),
            list(_sum_rows(report.by_stage())),
            notes,
            "metal",
        ),
        Table(
            "Loss trend",
            "Losses month beside month",
            (*_SUMS, *worth),
            list(_sum_rows(report.trend())),
            notes,
            "metal",
        ),
    ]


def _sum_rows(sums: Iterable[LossSum]) -> Iterable[dict[str, object]]:
    for each in sums:
        yield {
            "month": f"{each.month:%Y-%m}" if each.month is not None else "",
            "stage": each.stage_name,
            "metal": each.metal,
            "measured": each.measured_ug,
            "unmeasured": each.unmeasured_ug,
            "mass": each.mass_ug,
            "throughput": each.throughput_ug,
            "value": each.value,
        }


def _price_notes(report: LossReport) -> list[str]:
    return [
        f"{price.metal}: {price.price.normalize():f} {price.currency} per {price.per_unit}, "
        f"in force from {price.from_date}" + (f" ({price.source})." if price.source else ".")
        for price in report.prices.values()
    ]
