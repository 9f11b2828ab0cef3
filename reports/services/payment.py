"""Money changes hands: recorded as it was paid, and taken back by a reversal, never edited."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from config.refusals import refuse
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
        raise refuse("house_has_no_account", field="customer", value=customer.code)
    _check_direction(direction)
    check_currency(currency)
    amount = parse_decimal(
        amount.normalize(), field="amount", maximum=AMOUNT_MAX, decimals_max=AMOUNT_DECIMALS
    )
    if amount <= 0:
        raise refuse("not_positive:payment", field="amount", value=amount)
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
        raise refuse("out_of_order:payment", field="occurred_at", value=act.moment.isoformat())
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
        raise refuse(
            "unknown_choice:payment",
            field="direction",
            value=direction,
            payment=", ".join(Payment.Direction.values),
        )


def _check_settlement(settlement: Settlement, customer: Party, currency: str) -> None:
    settlement.refresh_from_db(fields=["state"])
    if settlement.customer_id != customer.pk:
        raise refuse(
            "not_their_settlement", field="settlement", value=settlement.code, customer=customer
        )
    if settlement.state not in SHOWN_STATES:
        raise refuse("not_approved", field="settlement", value=settlement.code)
    if settlement.currency != currency:
        raise refuse(
            "other_currency",
            field="currency",
            value=currency,
            settlement=settlement.code,
            currency=settlement.currency,
        )


def _check_reversible(payment: Payment) -> None:
    if payment.reverses_id is not None:
        raise refuse("is_a_reversal:payment", field="payment", value=payment.code)
    if Payment.objects.filter(reverses=payment).exists():
        raise refuse("already_reversed:payment", field="payment", value=payment.code)
