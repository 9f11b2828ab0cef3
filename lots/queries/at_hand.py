"""Which lots can be worked with now, newest first: what a form offers while a code is typed."""

from __future__ import annotations

from collections.abc import Sequence

from lots.models import Lot

OFFERED_MAX = 60


def lots_at_hand(forms: Sequence[str] = (), limit: int = OFFERED_MAX) -> list[Lot]:
    """At most `limit` available lots of these forms (of any form when none is named)."""
    lots = Lot.objects.filter(state=Lot.State.AVAILABLE).select_related("owner", "place")
    if forms:
        lots = lots.filter(form__in=forms)
    return list(lots.order_by("-registered_at", "-id")[:limit])
