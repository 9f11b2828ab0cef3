"""Months' ends, counts, prices, settlements: what the reports keep beside the ledger."""

from reports.models.counts import CountAdjustment, CountedMetal, CountLine, CountSheet
from reports.models.months import MonthEnd, MonthReopening
from reports.models.payment import Payment
from reports.models.prices import MetalPrice
from reports.models.settlement import ContractTerms, Settlement, SettlementQuestion
from reports.models.shared_link import AccessRecord, SharedLink
from reports.models.signature import StatementSignature

__all__ = [
    "AccessRecord",
    "ContractTerms",
    "CountAdjustment",
    "CountLine",
    "CountSheet",
    "CountedMetal",
    "MetalPrice",
    "MonthEnd",
    "MonthReopening",
    "Payment",
    "Settlement",
    "SettlementQuestion",
    "SharedLink",
    "StatementSignature",
]
