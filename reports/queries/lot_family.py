"""How a customer's lots came of each other: which came in, and what was made of which."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from lots.models import Entry, MaterialEntry, Movement

_KIND: Final = Movement.Kind
CAME_IN: Final = {_KIND.RECEIPT, _KIND.OPENING}
# They correct what other movements brought, and lead no metal from one lot into another.
LEADS_NOWHERE: Final = {
    _KIND.ASSAY_DIFFERENCE,
    _KIND.WEIGHING_DIFFERENCE,
    _KIND.COUNT_ADJUSTMENT,
    _KIND.REVERSAL,
}


@dataclass
class Leg:
    """One movement's lots: which gave and which took, metal or material."""

    sequence: int
    kind: str
    gave: set[int] = field(default_factory=set)
    took: set[int] = field(default_factory=set)


class Family:
    """How the customer's lots came of each other, around those that are asked about."""

    def __init__(self, theirs: set[int], asked: set[int]) -> None:
        self.legs: dict[int, Leg] = {}
        new = known = asked
        while new:
            for leg in self._read(new):
                if leg.kind not in LEADS_NOWHERE:
                    new = new | leg.gave | leg.took
            new = (new & theirs) - known
            known = known | new
        self.came_in = {
            lot for leg in self.legs.values() if leg.kind in CAME_IN for lot in leg.took & known
        }
        self._known = known
        self._made: dict[int, set[int]] = defaultdict(set)
        self._from: dict[int, set[int]] = defaultdict(set)
        for leg in self.legs.values():
            if leg.kind in LEADS_NOWHERE:
                continue
            for giver in leg.gave & known:
                self._made[giver] |= leg.took & known
            for taker in leg.took & known:
                self._from[taker] |= leg.gave & known

    def _read(self, lots: set[int]) -> Iterator[Leg]:
        touched = {
            pk
            for lines in (Entry.objects, MaterialEntry.objects)
            for pk in lines.filter(lot__in=lots).order_by().values_list("movement_id", flat=True)
        }
        movements = {
            pk: Leg(sequence, kind)
            for pk, sequence, kind in Movement.objects.filter(pk__in=touched - self.legs.keys())
            .order_by()
            .values_list("pk", "sequence", "kind")
        }
        entries = Entry.objects.filter(movement__in=movements, lot__isnull=False)
        materials = MaterialEntry.objects.filter(movement__in=movements)
        rows = [
            *entries.order_by().values_list("movement_id", "lot_id", "mass_ug"),
            *materials.order_by().values_list("movement_id", "lot_id", "mass_ug"),
            *materials.order_by().values_list("movement_id", "lot_id", "volume_ul"),
        ]
        for movement, lot, amount in rows:
            if amount:
                leg = movements[movement]
                (leg.took if amount > 0 else leg.gave).add(lot)
        self.legs |= movements
        yield from movements.values()

    def made_of(self, lots: Iterable[int]) -> set[int]:
        """These lots and what of the customer's was made of them."""
        return _reached(self._made, lots)

    def sources_of(self, lots: Iterable[int]) -> set[int]:
        """These lots and what of the customer's they were made of."""
        return _reached(self._from, lots)

    def movements_of(self, lots: set[int]) -> set[int]:
        """What touched the lots, but for how they came in, and the reversal of that."""
        came_in = {pk for pk, leg in self.legs.items() if leg.kind in CAME_IN}
        touched = {pk for pk, leg in self.legs.items() if (leg.gave | leg.took) & lots}
        undone = Movement.objects.filter(reverses__in=came_in).values_list("pk", flat=True)
        return touched - came_in - set(undone)

    def pooled_since(self, lots: set[int]) -> int | None:
        """The number of the first movement that led from the lots to others'."""
        return min(
            (
                leg.sequence
                for leg in self.legs.values()
                if leg.gave & lots
                and leg.kind not in LEADS_NOWHERE
                and (leg.took - lots or leg.kind == _KIND.CHANGE_OF_OWNER)
            ),
            default=None,
        )


def _reached(links: Mapping[int, set[int]], lots: Iterable[int]) -> set[int]:
    found, new = set(lots), set(lots)
    while new:
        new = {each for lot in new for each in links.get(lot, ())} - found
        found |= new
    return found
