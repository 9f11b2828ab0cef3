"""What is payable for a lot: by its settlement in force, else reckoned from what is on record."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum

from config.refusals import RefusalError
from lots.ledger.holdings import NOW, AsOf
from lots.models import Lot
from reports.models import Settlement
from reports.queries.lot.lot_claim import customer_of
from reports.queries.lot.settlement_case import received_on, settlement_case, terms_for
from reports.queries.lot.settlement_statement import settle_in_of
from reports.settle import settle
from reports.settlement_lines import Statement
from reports.terms import SettleIn, Terms, parse_terms


class PayableBasis(StrEnum):
    SETTLEMENT = "settlement"
    ESTIMATE = "estimate"
    NONE = "none"


@dataclass(frozen=True)
class LotPayable:
    """Metal payable (micrograms) and money due; positive is due to the customer.

    `basis` says whether it is a settlement in force or an estimate; `reason` says what an estimate
    still lacks, or why there is none. `settle_in` says which of metal and money the terms pay;
    `is_exchanged` whether both parties' results count, as is assumed while no terms are known.
    """

    basis: PayableBasis
    settlement: str
    kind: str
    settle_in: str
    payable_ug: dict[str, int]
    total: Decimal | None
    currency: str
    reason: str
    is_exchanged: bool = True


def lot_payable(lot: Lot, as_of: AsOf = NOW) -> LotPayable:
    """What is payable for the lot as of then. Nothing is written or promised by it."""
    settlement = _in_force(lot, as_of)
    if settlement is not None:
        return LotPayable(
            basis=PayableBasis.SETTLEMENT,
            settlement=settlement.code,
            kind=settlement.kind,
            settle_in=settle_in_of(settlement),
            payable_ug=dict(settlement.payable_ug),
            total=settlement.total,
            currency=settlement.currency,
            reason="",
        )
    customer = customer_of(lot)
    if customer is None:
        return _none("The lot is the works' own.")
    contract = terms_for(customer, lot.form, received_on(lot))
    if contract is None:
        return _none("No terms are written down for this customer.")
    return _estimate(lot, parse_terms(contract.content), as_of)


def _in_force(lot: Lot, as_of: AsOf) -> Settlement | None:
    """The last one approved by then; what superseded it later was not known."""
    rows = Settlement.objects.filter(lot=lot, approved_at__isnull=False)
    for moment in (as_of.occurred, as_of.recorded):
        if moment is not None:
            rows = rows.filter(approved_at__lte=moment)
    return rows.order_by("-approved_at", "-pk").first()


def _estimate(lot: Lot, terms: Terms, as_of: AsOf) -> LotPayable:
    reason = ""
    for is_provisional in (False, True):
        try:
            case = settlement_case(lot, terms, is_provisional=is_provisional, as_of=as_of)
            statement = settle(case)
        except RefusalError as refusal:
            reason = reason or refusal.message
            continue
        return _estimated(statement, terms, is_provisional, reason)
    return replace(_none(reason), is_exchanged=terms.exchanged)


def _estimated(statement: Statement, terms: Terms, is_provisional: bool, reason: str) -> LotPayable:
    kind = Settlement.Kind.PROVISIONAL if is_provisional else Settlement.Kind.FINAL
    return LotPayable(
        basis=PayableBasis.ESTIMATE,
        settlement="",
        kind=kind,
        settle_in=terms.settle_in,
        payable_ug=statement.payable_ug,
        total=statement.total,
        currency=statement.currency,
        reason=reason,
        is_exchanged=terms.exchanged,
    )


def _none(reason: str) -> LotPayable:
    return LotPayable(PayableBasis.NONE, "", "", SettleIn.METAL, {}, None, "", reason)
