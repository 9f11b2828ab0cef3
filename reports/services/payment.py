"""Money changes hands: recorded as it was paid, and taken back by a reversal, never edited."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from config.refusals import ConflictError, InvalidError
from lots import clock
from lots.ledger.recording import Act, recorded_once
from lots.models import Party
from lots.services.lot_register import next_code
from lots.texts import checked_text
from lots.units import parse_decimal
from reports.models import Payment, Settlement
from reports.queries.shared_links import SHOWN_STATES
from reports.services.prices import check_currency

PREFIX: Final = "PM"
AMOUNT_MAX: Final = Decimal(1_000_000_000)
AMOUNT_DECIMALS: Final = 4
REFERENCE_MAX: Final = 120
_OTHER_WAY: Final[dict[str, str]] = {
    Payment.Direction.PAID: Payment.Direction.RECEIVED,
    Payment.Direction.RECEIVED: Payment.Direction.PAID,
}


@recorded_once
def record_payment(
    *,
    customer: Party,
    direction: str,
    amount: Decimal,
    currency: str,
    act: Act,
    settlement: Settlement | None = None,
    reference: str = "",
) -> Payment:
    """Keeps that money was paid at the act's moment, against a settlement or on account.

    The amount is kept as given, to the last of four decimals at most. Raises InvalidError
    `house_has_no_account`, `unknown_choice`, `not_positive`, `unknown_currency`,
    `not_their_settlement`, `other_currency`, `too_long`, and what `parse_decimal` raises;
    ConflictError `not_approved`.
    """
    if customer.is_house:
        raise InvalidError(
            "The house has no account with itself.",
            code="house_has_no_account",
            field="customer",
            value=customer.code,
            remedy="Name the customer who was paid, or who paid.",
        )
    _check_direction(direction)
    check_currency(currency)
    amount = parse_decimal(
        amount.normalize(), field="amount", maximum=AMOUNT_MAX, decimals_max=AMOUNT_DECIMALS
    )
    if amount <= 0:
        raise InvalidError(
            "A payment is above zero.",
            code="not_positive",
            field="amount",
            value=amount,
            remedy="Give the amount alone; the direction says who paid.",
        )
    if settlement is not None:
        _check_settlement(settlement, customer, currency)
    return Payment.objects.create(
        code=next_code(PREFIX, act.moment.year),
        customer=customer,
        settlement=settlement,
        direction=direction,
        amount=amount,
        currency=currency,
        reference=checked_text(reference, field="reference", limit=REFERENCE_MAX),
        paid_at=act.moment,
        recorded_by_id=act.who.pk,
        recorded_at=clock.now(),
        note=act.note,
    )


@recorded_once
def reverse_payment(*, payment: Payment, act: Act) -> Payment:
    """Takes a payment back as from the act's moment; both rows stay. The act's note says why.

    Raises InvalidError `empty`, `out_of_order`; ConflictError `is_a_reversal`,
    `already_reversed`.
    """
    reason = checked_text(act.note, field="note", limit=500, required=True)
    _check_reversible(payment)
    if act.moment < payment.paid_at:
        raise InvalidError(
            "This moment lies before the payment.",
            code="out_of_order",
            field="occurred_at",
            value=act.moment.isoformat(),
            remedy="Give the moment it was taken back, or leave it out for now.",
        )
    return Payment.objects.create(
        code=next_code(PREFIX, act.moment.year),
        customer=payment.customer,
        settlement=payment.settlement,
        direction=_OTHER_WAY[payment.direction],
        amount=payment.amount,
        currency=payment.currency,
        reference=payment.reference,
        reverses=payment,
        paid_at=act.moment,
        recorded_by_id=act.who.pk,
        recorded_at=clock.now(),
        note=reason,
    )


def _check_direction(direction: str) -> None:
    if direction not in Payment.Direction.values:
        raise InvalidError(
            "Money was paid to the customer, or received from them.",
            code="unknown_choice",
            field="direction",
            value=direction,
            remedy="Use one of: " + ", ".join(Payment.Direction.values) + ".",
        )


def _check_settlement(settlement: Settlement, customer: Party, currency: str) -> None:
    settlement.refresh_from_db(fields=["state"])
    if settlement.customer_id != customer.pk:
        raise InvalidError(
            f"Settlement {settlement.code} is not {customer}'s.",
            code="not_their_settlement",
            field="settlement",
            value=settlement.code,
            remedy="Name a settlement of this customer, or none: the payment is on account.",
        )
    if settlement.state not in SHOWN_STATES:
        raise ConflictError(
            f"Settlement {settlement.code} is not approved, so nothing is due by it.",
            code="not_approved",
            field="settlement",
            value=settlement.code,
            remedy="Have somebody approve it first, or record the payment on account.",
        )
    if settlement.currency != currency:
        raise InvalidError(
            f"Settlement {settlement.code} is in {settlement.currency}.",
            code="other_currency",
            field="currency",
            value=currency,
            remedy="Record the payment in that currency, or on account in this one.",
        )


def _check_reversible(payment: Payment) -> None:
    if payment.reverses_id is not None:
        raise ConflictError(
            "A reversal can't be reversed.",
            code="is_a_reversal",
            field="payment",
            value=payment.code,
            remedy="Record the payment again.",
        )
    if Payment.objects.filter(reverses=payment).exists():
        raise ConflictError(
            "This payment is taken back already.",
            code="already_reversed",
            field="payment",
            value=payment.code,
            remedy="Nothing more is needed.",
        )
