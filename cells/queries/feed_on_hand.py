"""Which lots on hand could go into the next charge, and the best charge from them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from cells.feed_limits import FeedLimits, FeedWishes, GranuleLot
from cells.feed_plan import FeedPlan, plan_feed
from cells.models import CHARGED_FORMS, UNFINISHED, Cell, ElectrolyteBatch, RunMovement
from config.refusals import refuse
from lots.ledger.holdings import AsOf, holding, holdings
from lots.models import Lot, MaterialEntry, Movement

# A basket is worth charging from this share of what it takes; the works may ask for another.
FILL_SHARE_MIN: Final = 0.8
SPOKEN_FOR: Final = (Lot.Form.FINE_CRYSTAL, Lot.Form.BAR)


def feed_on_hand(
    at: dt.datetime, *, cell: Cell | None = None, due: Mapping[str, dt.date] | None = None
) -> list[GranuleLot]:
    """The lots that could be charged, with content and age, in a fixed number of queries.

    Fine metal is left out. A lot of which part hangs in another cell than `cell` is left out too.
    `due` gives, by lot code, the day a customer's metal is due.
    """
    forms = [form for form in CHARGED_FORMS if form not in SPOKEN_FOR]
    lots = list(
        Lot.objects.filter(form__in=forms, state=Lot.State.AVAILABLE, registered_at__lte=at)
        .exclude(pk__in=_hanging(cell))
        .select_related("owner")
        .order_by("registered_at", "id")
    )
    held = holdings(lots, AsOf(at))
    due = due or {}
    return [
        GranuleLot(
            lot=lot.code,
            owner=lot.owner.code,
            mass_ug=held[lot.pk].mass_ug,
            content_ug=held[lot.pk].metals,
            age_days=max(0, (at - lot.registered_at).days),
            due_in_days=(due[lot.code] - at.date()).days if lot.code in due else None,
        )
        for lot in lots
        if held[lot.pk].mass_ug > 0 and held[lot.pk].metals.get("Ag", 0) > 0
    ]


def limits_for(cell: Cell, batch: ElectrolyteBatch, at: dt.datetime) -> FeedLimits:
    """What a charge must keep to, so that the electrolyte stays within the cell's limits.

    Raises ConflictError `basket_unknown` when the cell does not say what its basket takes, and
    `copper_above_limit` when the electrolyte has no room for copper at all.
    """
    if cell.basket_ug_max is None:
        raise refuse("basket_unknown", field="cell", value=cell.code, cell=cell)
    bath = holding(batch.lot, AsOf(at))
    room = {
        metal: int(limit * bath.volume_ul) - bath.metals.get(metal, 0)
        for metal, limit in (
            ("Cu", cell.copper_limit_g_per_l),
            ("Pd", cell.palladium_limit_g_per_l),
        )
    }
    if room["Cu"] <= 0:
        raise refuse("copper_above_limit", field="electrolyte", value=batch.lot.code, batch=batch)
    return FeedLimits(
        basket_ug_min=int(FILL_SHARE_MIN * cell.basket_ug_max),
        basket_ug_max=cell.basket_ug_max,
        copper_ug_max=room["Cu"],
        palladium_ug_max=max(0, room["Pd"]),
        bleed_g_per_l=float(cell.copper_limit_g_per_l),
    )


def feed_plan(
    cell: Cell,
    batch: ElectrolyteBatch,
    at: dt.datetime,
    *,
    due: Mapping[str, dt.date] | None = None,
    wishes: FeedWishes | None = None,
    copper_ug_max: int | None = None,
) -> FeedPlan:
    """The best next charge of the cell from what is on hand.

    `copper_ug_max` allows more copper than the electrolyte has room for; what is above is bled.
    """
    limits = limits_for(cell, batch, at)
    if copper_ug_max is not None:
        room_ug = min(limits.copper_ug_max, copper_ug_max)
        limits = replace(limits, copper_ug_max=copper_ug_max, copper_room_ug=room_ug)
    return plan_feed(feed_on_hand(at, cell=cell, due=due), limits, wishes)


def _hanging(cell: Cell | None) -> list[int]:
    charges = RunMovement.objects.filter(
        run__state__in=UNFINISHED, movement__kind=Movement.Kind.CHARGE
    )
    if cell is not None:
        charges = charges.exclude(run__cell=cell)
    return list(
        MaterialEntry.objects.filter(movement__in=charges.values("movement"), mass_ug__lt=0)
        .order_by()
        .values_list("lot_id", flat=True)
        .distinct()
    )
