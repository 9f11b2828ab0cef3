"""Which lines of the books follow from results that a customer may not see yet."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from django.db.models import Q, Sum

from lots.ledger.holdings import AsOf
from lots.models import ClaimEntry, Entry, Movement
from lots.returning import is_given_along
from reports.queries.lot.sealed_results import Sealed
from reports.queries.lot_family import LEADS_NOWHERE

_OWN_FIGURE: Final = (Entry.Basis.MEASURED, Entry.Basis.DECLARED)

# A metal in a lot.
Pair = tuple[int, str]


def left_out(sealed: Sealed) -> Q:
    """Of the customer's lines (entries, claims), those a statement leaves out while it is sealed.

    That is all that touched the sealed lots since they came in, and since they were mixed with
    others' what was given, or put right, of metal whose book content follows from theirs.
    """
    out = Q(movement__in=sealed.movements)
    given = _given(sealed)
    resting = resting_on(sealed, {each.pair for each in given})
    by_metal: dict[str, set[int]] = defaultdict(set)
    for each in given:
        if each.pair in resting or each.is_along:
            by_metal[each.pair[1]].add(each.movement)
    for metal, movements in by_metal.items():
        out |= Q(metal=metal, movement__in=movements)
    return out


def claims_shown(sealed: Sealed, as_of: AsOf) -> dict[str, int]:
    """What the customer has in the works' pool, as far as they may see it, ug by metal."""
    rows = ClaimEntry.objects.filter(as_of.limit(), owner=sealed.customer)
    sums = rows.exclude(left_out(sealed)).order_by().values_list("metal")
    return dict(sums.annotate(total=Sum("mass_ug")))


def resting_on(sealed: Sealed, pairs: Collection[Pair]) -> set[Pair]:
    """Of metals in lots, those whose book content follows from what a sealed lot holds."""
    if sealed.pooled_since is None:
        return {pair for pair in pairs if pair[0] in sealed.lots}
    sources: dict[Pair, set[Pair]] = {}
    new = set(pairs)
    while new:
        found = _sources(sealed, new)
        sources |= {pair: found.get(pair, set()) for pair in new}
        new = {each for givers in found.values() for each in givers} - sources.keys()
    resting = {pair for pair in sources if pair[0] in sealed.lots}
    while more := {pair for pair in sources.keys() - resting if sources[pair] & resting}:
        resting |= more
    return resting & set(pairs)


@dataclass(frozen=True)
class _Given:
    """Metal out of a lot; `is_along` where a claim is charged for it only as far as it has any."""

    movement: int
    pair: Pair
    is_along: bool


def _given(sealed: Sealed) -> list[_Given]:
    """What lots gave by the customer's movements since the sealed ones were pooled.

    A reversal is read as what it takes back, so that both are left out or neither.
    """
    if sealed.pooled_since is None:
        return []
    theirs = {
        pk
        for lines in (Entry.objects.filter(lot__isnull=False), ClaimEntry.objects)
        for pk in lines.filter(
            owner=sealed.customer, movement__sequence__gt=sealed.pooled_since
        ).values_list("movement_id", flat=True)
    }
    rows = (
        Entry.objects.filter(movement__in=theirs - sealed.movements, lot__isnull=False)
        .select_related("movement__reverses", "owner")
        .order_by("id")
    )
    given: dict[int, list[Entry]] = defaultdict(list)
    for row in rows:
        first = row.movement.reverses or row.movement
        is_out = row.mass_ug < 0 if first == row.movement else row.mass_ug > 0
        if is_out or first.kind in LEADS_NOWHERE:
            given[row.movement_id].append(row)
    return [
        _Given(
            movement,
            (row.lot_id or 0, row.metal),
            (row.movement.reverses or row.movement).kind == Movement.Kind.RETURN
            and row.owner.is_house
            and is_given_along(row.metal, abs(row.mass_ug), sum(abs(r.mass_ug) for r in lines)),
        )
        for movement, lines in given.items()
        for row in lines
    ]


def _sources(sealed: Sealed, pairs: Collection[Pair]) -> dict[Pair, set[Pair]]:
    """By metal in a lot, the lots from which its content was booked in proportion or by difference.

    What was weighed and assayed, or declared, for itself stands on its own.
    """
    into = (
        Entry.objects.filter(
            lot__in={lot for lot, _ in pairs},
            mass_ug__gt=0,
            movement__sequence__gt=sealed.since,
        )
        .exclude(Q(basis__in=_OWN_FIGURE) & ~Q(content_by__in=sealed.assays))
        .values_list("movement_id", "lot_id", "metal")
    )
    rows = [each for each in into if each[1:] in pairs]
    givers: dict[tuple[int, str], set[int]] = defaultdict(set)
    out_of = Entry.objects.filter(
        movement__in={movement for movement, _, _ in rows}, mass_ug__lt=0, lot__isnull=False
    )
    for movement, lot, metal in out_of.values_list("movement_id", "lot_id", "metal"):
        assert lot is not None
        givers[movement, metal].add(lot)
    found: dict[Pair, set[Pair]] = defaultdict(set)
    for movement, lot, metal in rows:
        if lot is not None:
            found[lot, metal] |= {(giver, metal) for giver in givers[movement, metal]}
    return found
