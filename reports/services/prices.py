"""A price enters the works' own table; losses and settlements are valued at it."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal
from typing import Annotated, Any, Final

from config.refusals import InvalidError, refuse
from lots import clock
from lots.declaration.event import EXACT, Asks, Event
from lots.ledger.recording import Act, recorded_once
from lots.metals import Metal
from lots.people.roles import OFFICE
from lots.units import parse_decimal
from reports.models import MetalPrice
from reports.queries.month.periods import local_day

PRICE_MAX: Final = Decimal(10_000_000)
PRICE_DECIMALS: Final = 4
SOURCE_MAX: Final = 120
LATEST: Final = 12
Currency = Annotated[str, Asks(help="Three capital letters (ISO 4217), as in EUR.", at_most=3)]
_CURRENCY: Final = re.compile(r"[A-Z]{3}")


@recorded_once
def record_price(
    *,
    metal: Annotated[str, Asks(choices=Metal, initial=Metal.AG)],
    per_unit: Annotated[str, Asks("Per", choices=MetalPrice.Unit, initial=MetalPrice.Unit.OZT)],
    price: Annotated[Decimal, Asks(help="Of one unit.", kind=EXACT, decimals=PRICE_DECIMALS)],
    currency: Currency,
    from_date: Annotated[dt.date, Asks("From", "It holds until a later one of this metal.")],
    act: Act,
    source: Annotated[
        str, Asks(help="Where it was read, and which fixing it is.", at_most=SOURCE_MAX)
    ] = "",
) -> MetalPrice:
    """The price of one unit ("ozt" or "g") of a metal from a day on, until a later one.

    Raises InvalidError `unknown_metal`, `unknown_unit`, `unknown_currency`, `not_positive`,
    `not_a_number`, `too_many_digits`, `too_large`, `too_long`; ConflictError `price_exists`.
    """
    _check_choice(metal, Metal.values, "unknown_metal", "metal")
    _check_choice(per_unit, MetalPrice.Unit.values, "unknown_unit", "per_unit")
    check_currency(currency)
    price = parse_decimal(price, field="price", maximum=PRICE_MAX, decimals_max=PRICE_DECIMALS)
    if price <= 0:
        raise refuse("not_positive:prices", field="price", value=price)
    if len(source) > SOURCE_MAX:
        raise refuse("too_long:prices", field="source", value=source)
    if MetalPrice.objects.filter(metal=metal, currency=currency, from_date=from_date).exists():
        raise refuse(
            "price_exists:prices",
            field="from_date",
            value=from_date,
            metal=metal,
            currency=currency,
        )
    return MetalPrice.objects.create(
        metal=metal,
        per_unit=per_unit,
        price=price,
        currency=currency,
        from_date=from_date,
        source=source,
    )


def _begun(_: None) -> dict[str, Any]:
    """A price to be entered begins as the last one did, from today."""
    last = MetalPrice.objects.order_by("-pk").first()
    begun = {"currency": last.currency, "per_unit": last.per_unit} if last else {}
    return {**begun, "from_date": local_day(clock.now())}


def _latest(_: None, user: Any) -> dict[str, Any]:
    return {"prices": MetalPrice.objects.order_by("-from_date", "metal", "id")[:LATEST]}


RECORD_PRICE: Final = Event(
    record_price,
    at="prices/record",
    name="price-record",
    about="Enter the price of a unit of a metal from a day on. No price is looked up anywhere.",
    title="Enter a price",
    lead="It stays on record as entered: settlements point to it.",
    button="Enter it",
    done="The price is entered.",
    section="settlements",
    roles=OFFICE,
    order=("metal", "price", "per_unit", "currency", "from_date"),
    template="reports/price_step.html",
    begins=_begun,
    beside=_latest,
    when="",
    lands="prices",
)


def check_currency(currency: str) -> None:
    """Refuses what is no ISO 4217 code by its shape (`unknown_currency`)."""
    if not _CURRENCY.fullmatch(currency):
        raise refuse("unknown_currency", field="currency", value=currency)


def _check_choice(value: str, choices: list[str], code: str, field: str) -> None:
    if value not in choices:
        raise InvalidError(
            f"This {field.replace('_', ' ')} is not known.",
            code=code,
            field=field,
            value=value,
            remedy="Use one of: " + ", ".join(choices) + ".",
        )
