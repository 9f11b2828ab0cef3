"""Template tags for masses, metals and moments."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django import template
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from lots import display
from lots.metals import Metal

register = template.Library()


@register.filter
def mass(mass_ug: int | None) -> str | SafeString:
    """Grams and troy ounces; each stays on one line."""
    if mass_ug is None:
        return "–"
    return format_html(
        '<span class="mass"><span>{}</span> <span class="ozt">· {}</span></span>',
        display.grams(mass_ug),
        display.ounces(mass_ug),
    )


@register.filter
def grams(mass_ug: int | None) -> str:
    return "–" if mass_ug is None else display.grams(mass_ug)


@register.filter
def ounces(mass_ug: int | None) -> str:
    return "–" if mass_ug is None else display.ounces(mass_ug)


@register.filter
def signed_grams(mass_ug: int | None) -> str:
    """Grams with the sign always written."""
    if mass_ug is None:
        return "–"
    return ("+" if mass_ug > 0 else "") + display.grams(mass_ug)


@register.filter
def litres(volume_ul: int | None) -> str:
    return "–" if volume_ul is None else display.litres(volume_ul)


@register.filter
def figure(value: Any) -> str:
    """A decimal without its trailing zeros, grouped."""
    if value is None or value == "":
        return "–"
    number = Decimal(str(value)).normalize()
    return display.grouped(format(number, "f"))


@register.filter
def money(amount: Any) -> str:
    """Two decimals, or as many more as the amount has, grouped, with a real minus sign."""
    return "–" if amount is None else display.money(amount)


@register.filter
def signed_money(amount: Any) -> str:
    """Money with the sign always written."""
    return ("+" if amount is not None and amount > 0 else "") + money(amount)


@register.filter
def signed_figure(value: Any) -> str:
    """A decimal with the sign always written."""
    return ("+" if value is not None and Decimal(str(value)) > 0 else "") + figure(value)


@register.filter
def metal(symbol: str) -> SafeString:
    """The metal's symbol as a struck mark, its name for those who can't see it."""
    return format_html(
        '<abbr class="metal metal-{}" title="{}">{}</abbr>', symbol, Metal(symbol).label, symbol
    )


@register.filter
def metal_name(symbol: str) -> str:
    return str(Metal(symbol).label)


@register.filter
def moment(value: dt.datetime | None) -> str | SafeString:
    """Day and time at the works."""
    if value is None:
        return "–"
    local = timezone.localtime(value)
    return format_html(
        '<time datetime="{}">{} {}</time>',
        local.isoformat(timespec="seconds"),
        local.day,
        local.strftime("%b %Y, %H:%M"),
    )


@register.filter
def day(value: dt.date | dt.datetime | None) -> str | SafeString:
    if value is None:
        return "–"
    if isinstance(value, dt.datetime):
        value = timezone.localtime(value).date()
    return format_html(
        '<time datetime="{}">{} {}</time>', value.isoformat(), value.day, value.strftime("%b %Y")
    )


@register.filter
def item(mapping: dict[Any, Any], key: Any) -> Any:
    """A mapping's value by a key held in a variable."""
    return mapping.get(key)
