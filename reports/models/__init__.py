"""Months' ends, counts, prices: what the reports keep beside the ledger."""

from reports.models.counts import CountAdjustment, CountedMetal, CountLine, CountSheet
from reports.models.months import MonthEnd, MonthReopening
from reports.models.prices import MetalPrice

__all__ = [
    "CountAdjustment",
    "CountLine",
    "CountSheet",
    "CountedMetal",
    "MetalPrice",
    "MonthEnd",
    "MonthReopening",
]
