"""What a microgram of each metal is worth on a day, by the prices that the works entered."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from lots.units import UG_PER_G, UG_PER_OZT
from reports.models import MetalPrice


def latest_prices(day: dt.date) -> dict[str, Decimal]:
    """The price of a microgram by metal in the currency with most prices; empty without any."""
    by_currency: dict[str, dict[str, Decimal]] = {}
    for each in MetalPrice.objects.filter(from_date__lte=day).order_by("from_date"):
        unit_ug = UG_PER_OZT if each.per_unit == MetalPrice.Unit.OZT else UG_PER_G
        prices = by_currency.setdefault(each.currency, {})
        prices[each.metal] = each.price / Decimal(unit_ug)
    return max(by_currency.values(), key=len, default={})
