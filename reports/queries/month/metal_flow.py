"""How one metal went from area to area in a month, by the ledger's entries: in three queries.

A lot's metal is in the area where the lot stood at that moment. What a movement took from several
places and put in several is divided in proportion, to the microgram.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from lots.ledger.raw_sql import fetch
from lots.ledger.snapshot import unmoving
from lots.metals import Metal
from lots.units import share_ug
from reports.queries.month.periods import Period

# An end of a stream: which it is, and its code. All losses are one account here, and so are all
# differences: the month's statement tells them apart.
Node = tuple[str, str]
AREA: Final = "area"
ACCOUNT: Final = "account"


@dataclass(frozen=True)
class AreaStream:
    """What went from `source` to `target` in the month, and what came back from there.

    More went there than came back, or as much.
    """

    source: Node
    target: Node
    there_ug: int
    back_ug: int

    @property
    def net_ug(self) -> int:
        return self.there_ug - self.back_ug


@unmoving
def metal_flow(period: Period, metal: Metal | str) -> tuple[AreaStream, ...]:
    """The streams between areas, and between areas and outside accounts, of one metal.

    What an area held at the start and what came in less what left is what it held at the end.
    """
    span = (period.starts_at, period.ends_at)
    entries = fetch(
        "SELECT entry.occurred_at, entry.movement_id, entry.lot_id, "
        "CASE WHEN account.kind IN ('loss', 'difference') THEN account.kind ELSE account.code END, "
        "entry.mass_ug "
        "FROM lots_entry entry LEFT JOIN lots_account account ON account.id = entry.account_id "
        "WHERE entry.metal = %s AND entry.occurred_at >= %s AND entry.occurred_at < %s",
        [metal, *span],
    )
    standings = fetch(
        "SELECT standing.occurred_at, standing.movement_id, standing.lot_id, place.area "
        "FROM lots_lotstanding standing JOIN lots_place place ON place.id = standing.place_id "
        "WHERE standing.occurred_at < %s AND standing.lot_id IN "
        "(SELECT lot_id FROM lots_lotstanding WHERE occurred_at >= %s AND occurred_at < %s UNION "
        "SELECT lot_id FROM lots_entry WHERE lot_id IS NOT NULL AND metal = %s "
        "AND occurred_at >= %s AND occurred_at < %s) ORDER BY standing.occurred_at, standing.id",
        [period.ends_at, *span, metal, *span],
    )
    opening = fetch(
        "SELECT lot_id, SUM(mass_ug) FROM lots_entry WHERE metal = %s AND occurred_at < %s "
        "AND lot_id IN (SELECT lot_id FROM lots_lotstanding "
        "WHERE occurred_at >= %s AND occurred_at < %s) GROUP BY lot_id",
        [metal, period.starts_at, *span],
    )
    held = {lot_id: int(mass_ug) for lot_id, mass_ug in opening}
    return _netted(_gone(entries, standings, held))


def _gone(
    entries: Sequence[tuple[Any, ...]],
    standings: Sequence[tuple[Any, ...]],
    held: Mapping[int, int],
) -> dict[tuple[Node, Node], int]:
    """What went from node to node, event by event in the order in which it happened.

    `held` is what each lot that changes its place held when the month began.
    """
    lines: dict[tuple[Any, int], list[tuple[int | None, str | None, int]]] = defaultdict(list)
    stood: dict[tuple[Any, int], list[tuple[int, str]]] = defaultdict(list)
    for occurred_at, movement, lot, account, mass_ug in entries:
        lines[occurred_at, movement].append((lot, account, mass_ug))
    for occurred_at, movement, lot, area in standings:
        stood[occurred_at, movement].append((lot, area))
    holds: dict[int, int] = defaultdict(int, held)
    where: dict[int, str] = {}
    gone: dict[tuple[Node, Node], int] = defaultdict(int)
    for event in sorted({*lines, *stood}):
        for lot, area in stood.get(event, ()):
            before = where.get(lot, area)
            if before != area:
                gone[(AREA, before), (AREA, area)] += holds[lot]
            where[lot] = area
        change: dict[Node, int] = defaultdict(int)
        for lot, account, mass_ug in lines.get(event, ()):
            if lot is None:
                change[ACCOUNT, str(account)] += mass_ug
            else:
                change[AREA, where[lot]] += mass_ug
                holds[lot] += mass_ug
        for source, target, mass_ug in _pairs(change):
            gone[source, target] += mass_ug
    return gone


def _pairs(change: Mapping[Node, int]) -> Iterator[tuple[Node, Node, int]]:
    """Each that lost to each that gained, in proportion to what is still to be gained."""
    assert sum(change.values()) == 0
    wanted = {node: mass_ug for node, mass_ug in change.items() if mass_ug > 0}
    for source, mass_ug in change.items():
        if mass_ug >= 0:
            continue
        shares = share_ug(-mass_ug, list(wanted.values()))
        for target, share in zip(tuple(wanted), shares, strict=True):
            wanted[target] -= share
            if share:
                yield source, target, share


def _netted(gone: Mapping[tuple[Node, Node], int]) -> tuple[AreaStream, ...]:
    """Both directions between two nodes as one stream."""
    streams = []
    for (source, target), there_ug in gone.items():
        back_ug = gone.get((target, source), 0)
        is_first = (source, target) < (target, source)
        if there_ug > back_ug or (there_ug == back_ug != 0 and is_first):
            streams.append(AreaStream(source, target, there_ug, back_ug))
    return tuple(sorted(streams, key=lambda each: (each.source, each.target)))
