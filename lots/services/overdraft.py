"""No lot, and no customer's claim, ever holds less than nothing, at any moment of its history."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django.db.models import Sum

from config.refusals import ConflictError
from lots.models import ClaimEntry, Entry, Lot, MaterialEntry, Party
from lots.services.written import Written
from lots.units import ug_to_g


def check_not_below_zero(moment: dt.datetime, house_id: int, lines: Written) -> None:
    """Refuses `lines` that would take a lot or a customer's claim below zero, then or later.

    Raises ConflictError `lot_overdrawn` or `claim_overdrawn`, naming the lot or owner and the date.
    """
    taken: dict[tuple[int, int, str], int] = defaultdict(int)
    for entry in lines.entries:
        if entry.lot_id is not None:
            taken[entry.lot_id, entry.owner_id, entry.metal] += entry.mass_ug
    _check(
        _Timeline(Entry, ("lot_id", "owner_id", "metal"), "mass_ug", _metal_short), taken, moment
    )
    for column, refuse in (("mass_ug", _mass_short), ("volume_ul", _volume_short)):
        drawn: dict[tuple[int], int] = defaultdict(int)
        for material in lines.materials:
            drawn[(material.lot_id,)] += getattr(material, column)
        _check(_Timeline(MaterialEntry, ("lot_id",), column, refuse), drawn, moment)
    owed: dict[tuple[int, str], int] = defaultdict(int)
    for claim in lines.claims:
        if claim.owner_id != house_id:
            owed[claim.owner_id, claim.metal] += claim.mass_ug
    _check(_Timeline(ClaimEntry, ("owner_id", "metal"), "mass_ug", _claim_short), owed, moment)


@dataclass(frozen=True)
class _Timeline:
    """A running balance: the sum of `column` over rows of `model` that share `key_fields`."""

    model: type[Any]
    key_fields: tuple[str, ...]
    column: str
    refuse: Callable[[Any, dt.datetime, int], ConflictError]


def _check(timeline: _Timeline, changes: dict[Any, int], moment: dt.datetime) -> None:
    """Refuses when a negative change makes a running balance negative at `moment` or later."""
    key_fields, column = timeline.key_fields, timeline.column
    lowered = {key: change for key, change in changes.items() if change < 0}
    if not lowered:
        return
    rows = timeline.model.objects.filter(
        **{f"{key_fields[0]}__in": {key[0] for key in lowered}}
    ).order_by()
    before: dict[Any, int] = {
        tuple(row[:-1]): row[-1]
        for row in rows.filter(occurred_at__lte=moment)
        .values_list(*key_fields)
        .annotate(total=Sum(column))
    }
    after = (
        rows.filter(occurred_at__gt=moment)
        .values_list(*key_fields, "occurred_at")
        .annotate(total=Sum(column))
        .order_by(*key_fields, "occurred_at")
    )
    later = {
        tuple(key): [(row[-2], row[-1]) for row in group]
        for key, group in groupby(after, key=lambda row: row[: len(key_fields)])
    }
    for key, change in sorted(lowered.items()):
        running = before.get(key, 0) + change
        if running < 0:
            raise timeline.refuse(key, moment, -running)
        for at, total in later.get(key, ()):
            running += total
            if running < 0:
                raise timeline.refuse(key, at, -running)


def _metal_short(key: tuple[int, int, str], at: dt.datetime, short: int) -> ConflictError:
    return _lot_overdrawn(key[0], key[2], at, f"{ug_to_g(short)} g {key[2]}")


def _mass_short(key: tuple[int], at: dt.datetime, short: int) -> ConflictError:
    return _lot_overdrawn(key[0], "mass", at, f"{ug_to_g(short)} g of material")


def _volume_short(key: tuple[int], at: dt.datetime, short: int) -> ConflictError:
    return _lot_overdrawn(key[0], "volume", at, f"{short / 1000:g} ml")


def _lot_overdrawn(lot_id: int, what: str, at: dt.datetime, short: str) -> ConflictError:
    code = Lot.objects.values_list("code", flat=True).get(pk=lot_id)
    return ConflictError(
        f"Lot {code} would hold less than nothing on {at:%Y-%m-%d %H:%M} UTC: {short} too little.",
        code="lot_overdrawn",
        field=what,
        value=code,
        remedy="Take no more than the lot holds from that moment on, or reverse what came after.",
    )


def _claim_short(key: tuple[int, str], at: dt.datetime, short: int) -> ConflictError:
    owner = Party.objects.get(pk=key[0])
    return ConflictError(
        f"{owner} would be owed less than nothing on {at:%Y-%m-%d %H:%M} UTC: "
        f"{ug_to_g(short)} g {key[1]} too little.",
        code="claim_overdrawn",
        field=key[1],
        value=owner.code,
        remedy="Settle no more than is owed from that moment on.",
    )
