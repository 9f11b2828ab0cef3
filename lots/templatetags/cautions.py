"""`{% cautions "receive" "melt" %}`: the short safety texts of the steps, shown where they are."""

from __future__ import annotations

from typing import Any

from django import template

from lots.cautions import DEFERRAL, cautions_for

register = template.Library()


@register.inclusion_tag("lots/cautions.html")
def cautions(*steps: str) -> dict[str, Any]:
    """Each hazard once, in the order of the steps; `DEFERRAL` ends the block.

    The first sentence of the first one is always in sight.
    """
    shown = {each.code: each for step in steps if step for each in cautions_for(step).cautions}
    first = next((each.text.partition(". ")[0].rstrip(".") + "." for each in shown.values()), "")
    return {"cautions": list(shown.values()), "first": first, "deferral": DEFERRAL}


@register.inclusion_tag("lots/cautions.html")
def cautions_of(steps: tuple[str, ...]) -> dict[str, Any]:
    """As `cautions`, for steps named by the view."""
    return cautions(*steps)
