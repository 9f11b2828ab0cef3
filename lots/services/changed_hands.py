"""What a lot holds is all its owner's, also after the lot has changed hands."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping

from config.refusals import RefusalError, refuse
from lots.ledger.movement_rows import Written
from lots.ledger.overdraft import METALS, history_of
from lots.ledger.standings import Owners
from lots.models import Lot, Party
from lots.units import ug_to_g

Key = tuple[int, int, str]


def check_held_by_owner(moment: dt.datetime, owners: Mapping[int, Owners], lines: Written) -> None:
    """Refuses `lines` that leave a lot with metal of somebody whose lot it is not, then or later.

    A change of owner passes on what the lot held when it was recorded: what is put down later as
    having happened before would stay with the old owner. Raises ConflictError
    `changed_hands_since`, naming the lot and when it changed hands.
    """
    after = _after(moment, owners, lines)
    changes: dict[Key, int] = defaultdict(int)
    for entry in lines.entries:
        if entry.lot_id is not None and entry.owner_id is not None:
            changes[entry.lot_id, entry.owner_id, entry.metal] += entry.mass_ug
    doubtful = {
        key: change
        for key, change in changes.items()
        if change and any(owner != key[1] for _, owner in after[key[0]])
    }
    if not doubtful:
        return
    history = history_of(METALS, {key[0] for key in doubtful}, moment)
    for key, change in sorted(doubtful.items()):
        (up_to_then,), later = history.get(key, ((0,), []))
        steps = [(moment, up_to_then + change), *((at, amounts[0]) for at, amounts in later)]
        since = _not_theirs(key, steps, after[key[0]])
        if since is not None:
            raise _refusal(key, *since)


def _after(
    moment: dt.datetime, owners: Mapping[int, Owners], lines: Written
) -> dict[int, list[tuple[dt.datetime, int]]]:
    """Each lot's owners from the moment on, with the movement's own standings."""
    own = {standing.lot_id: standing.owner_id for standing in lines.standings}
    found = {}
    for lot_id, each in owners.items():
        then = own.get(lot_id, each.then)
        found[lot_id] = [*([(moment, then)] if then is not None else []), *each.later]
    return found


def _not_theirs(
    key: Key, steps: list[tuple[dt.datetime, int]], owners: list[tuple[dt.datetime, int]]
) -> tuple[dt.datetime, int] | None:
    """When first, and how much, the lot holds for this owner while it is another's."""
    times = sorted({at for at, _ in steps} | {at for at, _ in owners})
    for at in times:
        held_ug = sum(ug for when, ug in steps if when <= at)
        owner = [each for when, each in owners if when <= at][-1]
        if held_ug and owner != key[1]:
            return at, held_ug
    return None


def _refusal(key: Key, at: dt.datetime, held_ug: int) -> RefusalError:
    lot_id, owner_id, metal = key
    code = Lot.objects.values_list("code", flat=True).get(pk=lot_id)
    owner = Party.objects.get(pk=owner_id)
    return refuse(
        "changed_hands_since",
        field="occurred_at",
        value=code,
        at=at,
        held_ug=ug_to_g(held_ug),
        metal=metal,
        owner=owner,
    )
