"""No lot, and no customer's claim, ever holds less than nothing, at any moment of its history."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from config.refusals import RefusalError, refuse
from lots.ledger.movement_rows import Written
from lots.ledger.raw_sql import fetch, moment_of, placeholders
from lots.models import Lot, Party
from lots.units import ug_to_g


def check_not_below_zero(moment: dt.datetime, house_id: int, lines: Written) -> None:
    """Refuses `lines` that would take a lot or a customer's claim below zero, then or later.

    Raises RefusalError `lot_overdrawn` or `claim_overdrawn`, naming the lot or owner and the date.
    """
    taken: _Changes = defaultdict(lambda: (0,))
    for entry in lines.entries:
        if entry.lot_id is not None:
            key = (entry.lot_id, entry.owner_id, entry.metal)
            taken[key] = _plus(taken[key], (entry.mass_ug,))
    _check(METALS, taken, moment)
    drawn: _Changes = defaultdict(lambda: (0, 0))
    for material in lines.materials:
        change = (material.mass_ug, material.volume_ul)
        drawn[(material.lot_id,)] = _plus(drawn[(material.lot_id,)], change)
    _check(_MATERIAL, drawn, moment)
    owed: _Changes = defaultdict(lambda: (0,))
    for claim in lines.claims:
        if claim.owner_id != house_id:
            owed[claim.owner_id, claim.metal] = (claim.mass_ug,)
    _check(_CLAIMS, owed, moment)


_Amounts = tuple[int, ...]
_Changes = dict[Any, _Amounts]


@dataclass(frozen=True)
class Timeline:
    """Running balances: sums of `amounts` over rows of `table` that share `keys`."""

    table: str
    keys: tuple[str, ...]
    amounts: tuple[str, ...]
    refuse: Callable[[Any, dt.datetime, _Amounts], RefusalError]


def _check(timeline: Timeline, changes: _Changes, moment: dt.datetime) -> None:
    """Refuses when a negative change makes a running balance negative at `moment` or later."""
    lowered = {key: change for key, change in changes.items() if min(change) < 0}
    if not lowered:
        return
    history = history_of(timeline, {key[0] for key in lowered}, moment)
    for key, change in sorted(lowered.items()):
        up_to_then, later = history.get(key, (tuple(0 for _ in change), []))
        running = _plus(up_to_then, change)
        # What only rises is never refused for a balance that was short before.
        short = [each < 0 and by < 0 for each, by in zip(running, change, strict=True)]
        if any(short):
            raise timeline.refuse(key, moment, running)
        for at, amounts in later:
            running = _plus(running, amounts)
            short = [each < 0 and by < 0 for each, by in zip(running, change, strict=True)]
            if any(short):
                raise timeline.refuse(key, at, running)


def history_of(
    timeline: Timeline, firsts: set[int], moment: dt.datetime
) -> dict[Any, tuple[_Amounts, list[tuple[dt.datetime, _Amounts]]]]:
    """By key, the sums up to `moment` and what each later moment adds, in one statement."""
    keys = ", ".join(timeline.keys)
    sums = ", ".join(f"SUM({amount})" for amount in timeline.amounts)
    rows = fetch(
        f"SELECT {keys}, later, {sums} FROM (SELECT {keys}, {', '.join(timeline.amounts)}, "
        f"CASE WHEN occurred_at > %s THEN occurred_at END AS later FROM {timeline.table} "
        f"WHERE {timeline.keys[0]} IN {placeholders(firsts)}) lines "
        f"GROUP BY {keys}, later ORDER BY later",
        [moment, *firsts],
    )
    width = len(timeline.keys)
    found: dict[Any, tuple[_Amounts, list[tuple[dt.datetime, _Amounts]]]] = {}
    for row in rows:
        key, later, amounts = row[:width], row[width], tuple(int(each) for each in row[width + 1 :])
        up_to_then, steps = found.get(key, (tuple(0 for _ in amounts), []))
        if later is None:
            up_to_then = amounts
        else:
            steps.append((moment_of(later), amounts))
        found[key] = up_to_then, steps
    return found


def _plus(one: _Amounts, other: _Amounts) -> _Amounts:
    return tuple(a + b for a, b in zip(one, other, strict=True))


def _metal_short(key: tuple[int, int, str], at: dt.datetime, left: _Amounts) -> RefusalError:
    return _lot_overdrawn(key[0], key[2], at, f"{ug_to_g(-left[0])} g {key[2]}")


def _material_short(key: tuple[int], at: dt.datetime, left: _Amounts) -> RefusalError:
    mass_ug, volume_ul = left
    if mass_ug < 0:
        return _lot_overdrawn(key[0], "mass", at, f"{ug_to_g(-mass_ug)} g of material")
    return _lot_overdrawn(key[0], "volume", at, f"{-volume_ul / 1000:g} ml")


def _lot_overdrawn(lot_id: int, what: str, at: dt.datetime, short: str) -> RefusalError:
    code = Lot.objects.values_list("code", flat=True).get(pk=lot_id)
    return refuse("lot_overdrawn", field=what, value=code, at=at, short=short)


def _claim_short(key: tuple[int, str], at: dt.datetime, left: _Amounts) -> RefusalError:
    owner = Party.objects.get(pk=key[0])
    return refuse(
        "claim_overdrawn",
        field=key[1],
        value=owner.code,
        owner=owner,
        at=at,
        what=ug_to_g(-left[0]),
        key=key[1],
    )


METALS: Final = Timeline("lots_entry", ("lot_id", "owner_id", "metal"), ("mass_ug",), _metal_short)
_MATERIAL: Final = Timeline(
    "lots_materialentry", ("lot_id",), ("mass_ug", "volume_ul"), _material_short
)
_CLAIMS: Final = Timeline("lots_claimentry", ("owner_id", "metal"), ("mass_ug",), _claim_short)
