"""Questions that many events ask alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any

from lots.declaration.event import Asks
from lots.models import Party, Place
from lots.texts import DESCRIPTION_MAX, REASON_MAX

Reason = Annotated[str, Asks("Why", at_most=REASON_MAX)]
Description = Annotated[str, Asks("Description", at_most=DESCRIPTION_MAX)]
PutAt = Annotated[Place, None, Asks("Where it is put")]
Supplies = Annotated[
    Mapping[str, int],
    Asks(
        "Metal from supplies",
        "Such as the copper put in to cement silver, with its unit.",
        "supplies",
    ),
]


def parties(*kinds: str) -> Callable[[], Any]:
    """The parties of these kinds that a page offers."""
    return lambda: Party.objects.filter(is_active=True, kind__in=kinds)


def places(area: str) -> Callable[[], Any]:
    """The places of an area that a page offers."""
    return lambda: Place.objects.filter(is_active=True, area=area)
