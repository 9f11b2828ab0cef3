"""One party's lots are shown to somebody, as a list or as events: told to whoever keeps that."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final, TypeVar

from django.db.models import Q

from lots.models import Party

# Takes whose data was read, by which user, and what in which form.
Keeper = TypeVar("Keeper", bound=Callable[..., object])
_KEEPERS: Final[list[Callable[..., object]]] = []
LOTS: Final = "lots"
EVENTS: Final = "events"


def keeps_readings(keeper: Keeper) -> Keeper:
    """Registers what keeps that a party's data was read."""
    _KEEPERS.append(keeper)
    return keeper


def tell_reading(*, customer: Party, user: Any, what: str, form: str) -> None:
    """`what` is LOTS or EVENTS; `form` is page, json, csv or xlsx."""
    for keep in _KEEPERS:
        keep(customer=customer, user=user, what=what, reference=customer.code, form=form)


def tell_lots_of(asked: Mapping[str, Any], user: Any, form: str) -> None:
    """A list of lots was narrowed to an owner or a sender: it shows that party's lots."""
    codes = {asked[name] for name in ("owner", "received_from") if asked.get(name)}
    if not codes:
        return
    for party in Party.objects.filter(~Q(kind=Party.Kind.HOUSE), code__in=codes):
        tell_reading(customer=party, user=user, what=LOTS, form=form)
