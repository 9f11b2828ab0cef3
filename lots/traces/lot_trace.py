"""Where a lot's metal came from and where it has gone, from the ledger, as of a moment."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Final

from django.db.models import Exists, OuterRef

from lots.ledger.content_uncertainty import stated_uncertainties
from lots.ledger.holdings import NOW, AsOf
from lots.ledger.snapshot import snapshot
from lots.ledger.standings import standings_of
from lots.models import Account, Entry, Lot
from lots.traces.kept_traces import Start, start_for
from lots.traces.linked_movements import (
    BATCH,
    first_moment_from,
    held_before,
    is_moved_after,
    is_restated_after,
    late_assays,
    steps_around,
    steps_into,
    stream_steps,
)
from lots.traces.trace import Kept, Mixing, Mixture, edges_of, mix, run
from lots.traces.trace_following import Following, follow, follow_since
from lots.traces.trace_packing import DamagedError
from lots.traces.trace_steps import Holder, Step, given_by, givers, in_chunks, reached, touching

# How often the following of a lot looks whether any of its metal moves on.
MOVEMENTS_A_LOOK: Final = 1000
# So many movements are held in memory; checkpoints that stand leave no more than that.
FEW: Final = 10_000

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Node:
    """A lot (`kind` "lot") or an outside account (`kind` "account") in a trace's graph."""

    key: str
    kind: str
    label: str
    form: str = ""


@dataclass(frozen=True)
class Edge:
    """Micrograms of one metal that went from one node to another."""

    source: str
    target: str
    metal: str
    mass_ug: int


@dataclass(frozen=True)
class Graph:
    """Not `is_whole`, it shows the nearest lots only, and their metal came from further back."""

    nodes: list[Node]
    edges: list[Edge]
    is_whole: bool = True


@dataclass(frozen=True)
class Share:
    """What one origin contributed to a lot. `lot` is None for metal that was never in a lot.

    The standard uncertainty is that of the origin's own content, in proportion; None where the
    origin's content was never measured. Proportional mixing itself is taken as exact.
    """

    lot: Lot | None
    account: str
    metal: str
    mass_ug: int
    standard_uncertainty_ug: int | None


@dataclass(frozen=True)
class BackTrace:
    """Where a lot's metal came from. Per metal the shares sum to `held_ug` to the microgram.

    The graph's edges carry all that went that way among the lots concerned, not this lot's alone.
    """

    lot: Lot
    as_of: AsOf
    held_ug: dict[str, int]
    shares: list[Share]
    graph: Graph


@dataclass(frozen=True)
class Part:
    """Where some of a lot's metal is: in a lot that stands somewhere, or gone to an account.

    The standard uncertainty is that of all that came into the lot, in proportion; None where that
    was never stated. Proportional mixing itself is taken as exact.
    """

    lot: Lot | None
    place_id: int | None
    owner_id: int | None
    account: str
    metal: str
    mass_ug: int
    standard_uncertainty_ug: int | None


@dataclass(frozen=True)
class ForwardTrace:
    """Where a lot's metal has gone. Per metal the parts sum to `entered_ug` to the microgram.

    `entered_ug` is all that ever came into the lot, with its standard uncertainty where one was
    stated; the graph's edges carry this lot's metal alone.
    """

    lot: Lot
    as_of: AsOf
    entered_ug: dict[str, int]
    entered_uncertainty_ug: dict[str, int]
    parts: list[Part]
    graph: Graph


def trace_back(lot: Lot, as_of: AsOf = NOW) -> BackTrace:
    """The origins of what `lot` holds."""
    with snapshot():
        near = steps_into(lot.pk, as_of)
        traced = (
            mix(near.steps, near.lots, tells_gone=False) if near.is_whole else _mixed(lot.pk, as_of)
        )
        mixtures = {
            metal: contents[lot.pk]
            for metal, contents in sorted(traced.contents.items())
            if contents.get(lot.pk)
        }
        lots = Lot.objects.in_bulk({origin.lot for each in mixtures.values() for origin in each})
        unsure = _content_uncertainties_ug(lots, as_of)
        edges = {key: ug for key, ug in edges_of(near.steps).items() if key[1] in near.lots}
        graph = graph_of(edges, is_whole=near.is_whole)
    shares = []
    for metal, mixture in mixtures.items():
        brought = traced.brought[metal]
        for origin, ug in sorted(mixture.items(), key=lambda item: (-item[1], item[0])):
            of_lot = unsure.get((origin.lot, metal))
            shares.append(
                Share(
                    lot=lots.get(origin.lot),
                    account=origin.account,
                    metal=metal,
                    mass_ug=ug,
                    standard_uncertainty_ug=(
                        None if of_lot is None else round(of_lot * ug / brought[origin.lot])
                    ),
                )
            )
    held = {metal: sum(mixture.values()) for metal, mixture in mixtures.items()}
    return BackTrace(lot, as_of, held, shares, graph)


def trace_forward(lot: Lot, as_of: AsOf = NOW) -> ForwardTrace:
    """Where the metal that has been in `lot` is, or how it left the works."""
    with snapshot():
        traced = _followed(lot.pk, as_of)
        metals = [metal for metal, ug in sorted(traced.entered.items()) if ug]
        parts_ug = {metal: traced.parts(metal) for metal in metals}
        ids = {pk for each in parts_ug.values() for pk in each}
        lots, standings = Lot.objects.in_bulk(ids), standings_of(ids, as_of)
        unsure = stated_uncertainties([lot], as_of)[lot.pk]
        graph = graph_of(traced.edges)

    def part(metal: str, ug: int, holder: Lot | None, account: str = "") -> Part:
        standing = None if holder is None else standings[holder.pk]
        relative = unsure.get(metal)
        return Part(
            lot=holder,
            place_id=None if standing is None else standing.place_id,
            owner_id=None if standing is None else standing.owner_id,
            account=account,
            metal=metal,
            mass_ug=ug,
            standard_uncertainty_ug=None if relative is None else round(abs(ug) * relative),
        )

    parts = [
        part(metal, ug, lots[pk])
        for metal in metals
        for pk, ug in sorted(parts_ug[metal].items(), key=lambda item: (-item[1], item[0]))
    ]
    parts += [
        part(metal, ug, None, account)
        for metal in metals
        for account, ug in sorted(traced.gone[metal].items())
        if ug
    ]
    entered = {metal: traced.entered[metal] for metal in metals}
    return ForwardTrace(
        lot=lot,
        as_of=as_of,
        entered_ug=entered,
        entered_uncertainty_ug={
            metal: round(abs(ug) * relative)
            for metal, ug in entered.items()
            if (relative := unsure.get(metal)) is not None
        },
        parts=parts,
        graph=graph,
    )


def mixtures_of_all(as_of: AsOf = NOW) -> dict[str, dict[int, Mixture]]:
    """What every lot that holds something is mixed of, by metal."""
    with snapshot():
        start = start_for(as_of)
        kept, since = _kept(start, None)
        traced = mix(stream_steps(as_of, since), None, kept, tells_gone=False)
    return {
        metal: {lot: mixture for lot, mixture in by_lot.items() if mixture}
        for metal, by_lot in traced.contents.items()
    }


def _mixed(lot: int, as_of: AsOf) -> Mixing:
    """From the latest checkpoint on if there is one, else through the whole of the books, twice:
    for the lots that gave, and for what they gave.
    """
    start = start_for(as_of)
    if start is not None:
        steps = _repeatable(as_of, start.since)
        links = given_by(steps())
        lots = reached(links, {lot})
        try:
            kept = start.kept(lots)
            # What an origin ever brought in is told by its own row, and changes by its own steps.
            origins = reached(links, _origins(kept)) - lots
            kept |= start.kept(origins)
        except DamagedError:
            logger.exception("Not used: %s.", start.checkpoint)
        else:
            lots |= origins
            return mix(touching(steps(), lots), lots, kept, tells_gone=False)
    lots = givers(stream_steps(as_of), {lot})
    return mix(touching(stream_steps(as_of), lots), lots, tells_gone=False)


def _repeatable(as_of: AsOf, since: dt.datetime) -> Callable[[], Iterable[Step]]:
    """The steps since then as often as they are asked for: from memory if few, else read again."""
    few = list(islice(stream_steps(as_of, since), FEW + 1))
    return (lambda: few) if len(few) <= FEW else (lambda: stream_steps(as_of, since))


def _origins(kept: Mapping[int, Kept]) -> set[int]:
    return {
        origin.lot
        for each in kept.values()
        for mixture in each.contents.values()
        for origin in mixture
    }


def _kept(
    start: Start | None, lots: Collection[int] | None
) -> tuple[dict[int, Kept], dt.datetime | None]:
    """What is kept and since when steps are wanted; the beginning of the books if nothing is."""
    if start is not None:
        try:
            return start.kept(lots), start.since
        except DamagedError:
            logger.exception("Not used: %s.", start.checkpoint)
    return {}, None


def _followed(lot: int, as_of: AsOf) -> Following:
    """Along the links from when the lot came in, if that is enough; else one by one."""
    since = first_moment_from(lot, as_of)
    if since is None:
        return Following(lot)
    if not any(each < lot for each in late_assays(as_of, since)):
        near = steps_around(lot, as_of, since=since)
        if near.is_whole:
            following = follow_since(
                near.steps, lot, near.lots, held_before(near.lots, as_of, since)
            )
            assert following is not None
            return following
    else:
        near = steps_around(lot, as_of)
        if near.is_whole:
            return follow(near.steps, lot, near.lots)
    return _followed_through(lot, as_of, since)


def _followed_through(lot: int, as_of: AsOf, since: dt.datetime) -> Following:
    """Through every movement since, until none of the lot's metal moves any more.

    Where a late assay took from the share of a lot that was there before, that share must be known:
    from the last checkpoint before, or from the beginning of the books.
    """
    restated = late_assays(as_of, since)
    if any(each < lot for each in restated):
        kept, since_kept = _kept(start_for(as_of, before=since), None)
        restated = late_assays(as_of, since_kept)
        following = Following(lot, None, restated, kept=kept)
        steps = stream_steps(as_of, since_kept)
    else:
        following = Following(lot, None, restated, held_before(None, as_of, since))
        steps = stream_steps(as_of, since)
    for chunk in in_chunks(steps, MOVEMENTS_A_LOOK):
        run(following, chunk)
        at = chunk[-1].at
        marked = following.marked() | {lot}
        if (
            len(marked) <= BATCH
            and not is_moved_after(marked, as_of, at)
            and not is_restated_after(lot, as_of, at)
        ):
            break
    return following


def graph_of(edges: Mapping[tuple[Holder, Holder, str], int], *, is_whole: bool = True) -> Graph:
    """Edges between holders as a graph of named nodes."""
    holders = {holder for source, target, _ in edges for holder in (source, target)}
    lots = Lot.objects.in_bulk({holder for holder in holders if isinstance(holder, int)})
    codes = {holder for holder in holders if isinstance(holder, str)}
    accounts = Account.objects.filter(code__in=codes).order_by("code").values_list("code", "name")
    keys: dict[Holder, str] = {pk: lot.code for pk, lot in lots.items()}
    keys.update((code, code) for code, _ in accounts)
    return Graph(
        nodes=[
            *(Node(lot.code, "lot", lot.code, lot.form) for _, lot in sorted(lots.items())),
            *(Node(code, "account", name) for code, name in accounts),
        ],
        edges=[
            Edge(keys[source], keys[target], metal, ug)
            for (source, target, metal), ug in sorted(
                edges.items(), key=lambda item: (item[0][2], keys[item[0][0]], keys[item[0][1]])
            )
        ],
        is_whole=is_whole,
    )


def _content_uncertainties_ug(lots: Collection[int], as_of: AsOf) -> dict[tuple[int, str], int]:
    """The latest standard uncertainty of what each lot brought in, where one was ever measured."""
    from_outside = Entry.objects.filter(
        movement=OuterRef("movement"), metal=OuterRef("metal"), account__isnull=False
    )
    rows = (
        Entry.objects.filter(
            Exists(from_outside),
            as_of.limit(),
            lot_id__in=list(lots),
            standard_uncertainty_ug__isnull=False,
        )
        .order_by("occurred_at", "id")
        .values_list("lot_id", "metal", "standard_uncertainty_ug")
    )
    return {(lot, metal): ug for lot, metal, ug in rows if lot is not None and ug is not None}
