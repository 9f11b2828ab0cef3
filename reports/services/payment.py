"""Money changes hands: recorded as it was paid, and taken back by a reversal, never edited."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Annotated, Any, Final

from config.refusals import refuse
from lots import clock
from lots.declaration.common import parties
from lots.declaration.event import EXACT, Asks, Event, On
from lots.ledger.recording import Act, recorded_once
from lots.models import Party
from lots.people.roles import OFFICE
from lots.services.lot_register import next_code
from lots.texts import checked_text
from lots.units import parse_decimal
from reports.models import Payment, Settlement
from reports.queries.account_money import settlement_payments
from reports.queries.shared_links import SHOWN_STATES
from reports.services.prices import Currency, check_currency
from reports.services.settlement import ON_SETTLEMENT
from reports.services.terms import ON_CUSTOMER

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
    customer: Annotated[Party, None, Asks(among=parties("customer", "supplier"))],
    direction: Annotated[str, Asks("Who paid", choices=Payment.Direction)],
    amount: Annotated[
        Decimal, Asks(help="Above zero, as it was paid.", kind=EXACT, decimals=AMOUNT_DECIMALS)
    ],
    currency: Currency,
    act: Act,
    settlement: Annotated[
        Settlement | None,
        None,
        Asks("By settlement", "Empty for a payment on account.", typed_code=True),
    ] = None,
    reference: Annotated[
        str, Asks(help="What the bank's statement or the receipt calls it.", at_most=REFERENCE_MAX)
    ] = "",
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


RECORD_PAYMENT: Final = Event(
    record_payment,
    at="payments/record",
    name="payment-record",
    about="""Keep that money was paid to a customer, or by one, against a settlement or on account.

    `occurred_at` is when the money was paid.
    """,
    title="Record a payment",
    lead="Money that was paid already: nothing is sent by this. It enters the customer's account; "
    "tax is yours to work out, by local law.",
    button="Record it",
    done="The payment is recorded.",
    section="settlements",
    roles=OFFICE,
    order=("customer", "direction", "amount", "currency", "settlement"),
    template="reports/payment_step.html",
    when="When it was paid",
    lands="payment code",
)
PAY_ON_ACCOUNT: Final = replace(
    RECORD_PAYMENT,
    on=ON_CUSTOMER,
    name="account-pay",
    at="",
    page_at="/accounts/<slug:code>/pay",
)


def _left_to_pay(settlement: Settlement) -> dict[str, Any]:
    left = settlement_payments(settlement).left
    way = Payment.Direction.PAID if left > 0 else Payment.Direction.RECEIVED
    begun = {"customer": settlement.customer_id, "currency": settlement.currency}
    return {**begun, **({"direction": way, "amount": f"{abs(left):f}"} if left else {})}


PAY_SETTLEMENT: Final = replace(
    RECORD_PAYMENT,
    on=ON_SETTLEMENT,
    name="settlement-pay",
    template="",
    begins=_left_to_pay,
    at="",
    page_at="pay",
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


REVERSE: Final = Event(
    reverse_payment,
    on=On(Payment, "payments/<str:code>", "payment", section="settlements", page="payment"),
    at="reverse",
    name="payment-reverse",
    about="Take a payment back; both rows stay on record, and the note says why.",
    title="Take a payment back",
    lead="Its opposite is recorded beside it; both stay on the account.",
    button="Take it back",
    done="Taken back.",
    roles=OFFICE,
    template="reports/payment_step.html",
    when="",
    why="Why",
    needs_why=True,
    lands="payment code",
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
