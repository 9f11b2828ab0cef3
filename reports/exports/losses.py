"""Losses as tables: each line, by stage, and month beside month."""

from __future__ import annotations

from reports.conventions import (
    OUNCE_RULE,
    PERCENT_RULE,
    SIGN_CONVENTION,
    STAGE_THROUGHPUT,
    VALUE_RULE,
)
from reports.exports.moments import span_note
from reports.exports.tables import Column, Kind, Ratio, Table
from reports.queries.month.losses import LossReport

_SHARE = Column("percent", "Of throughput", Kind.PERCENT, 14, ratio=Ratio("mass", "throughput"))
_THROUGHPUT = Column("throughput", "Throughput of the stage", Kind.MASS, 18)
_MONTH = Column(
    "month", "Month", width=10, of=lambda row: f"{row.month:%Y-%m}" if row.month else ""
)
_STAGE = Column("stage", "Stage", width=18, of="stage_name")
_METAL = Column("metal", "Metal", width=8)
_LINES = (
    _MONTH,
    _STAGE,
    _METAL,
    Column("account", "Account", width=28, of="account_name"),
    Column(
        "kind",
        "Measured",
        width=14,
        of=lambda row: "measured" if row.is_measured else "unmeasured",
    ),
    Column("cause", "Cause", width=22),
    Column("movements", "Movements", Kind.WHOLE, 11, is_totalled=True),
    Column("mass", "Loss", Kind.MASS, 18, is_totalled=True),
    _THROUGHPUT,
    _SHARE,
)
_SUMS = (
    _MONTH,
    _STAGE,
    _METAL,
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
    by_stage = tuple(column for column in (*_SUMS, *worth) if column is not _MONTH)
    by_cause, measured = "Losses by stage and cause", "Losses by stage, measured and unmeasured"
    trend = "Losses month beside month"
    return [
        Table("Losses", by_cause, (*_LINES, *worth), report.rows, notes, "metal"),
        Table("Losses by stage", measured, by_stage, report.by_stage(), notes, "metal"),
        Table("Loss trend", trend, (*_SUMS, *worth), report.trend(), notes, "metal"),
    ]


def _price_notes(report: LossReport) -> list[str]:
    return [
        f"{price.metal}: {price.price.normalize():f} {price.currency} per {price.per_unit}, "
        f"in force from {price.from_date}" + (f" ({price.source})." if price.source else ".")
        for price in report.prices.values()
    ]
