"""`{% how "limit-of-error" "month-difference" %}`: beside the figures, how they are computed."""

from __future__ import annotations

from typing import Any

from django import template

from config.explained import explained

register = template.Library()


@register.inclusion_tag("site/how.html")
def how(*keys: str) -> dict[str, Any]:
    """The figures named, each with its rule and the source of it, folded away."""
    return {"figures": [explained()[key] for key in keys]}
