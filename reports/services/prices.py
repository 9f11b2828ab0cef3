"""A price enters the works' own table; losses and settlements are valued at it."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal
from typing import Final

from config.refusals import InvalidError, refuse
from lots.ledger.recording import Act, recorded_once
from lots.metals import Metal
from lots.units import parse_decimal
from reports.models import MetalPrice

PRICE_MAX: Final = Decimal(10_000_000)
PRICE_DECIMALS: Final = 4
_CURRENCY: Final = re.compile(r"[A-Z]{3}")


@recorded_once
def record_price(
    *,
    metal: str,
    per_unit: str,
    price: Decimal,
    currency: str,
    from_date: dt.date,
    act: Act,
    source: str = "",
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
    if len(source) > 120:
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
