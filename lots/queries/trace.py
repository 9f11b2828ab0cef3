"""Where a lot's metal came from and where it has gone, from the ledger, as of a moment."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from django.db.models import Exists, OuterRef

from lots.models import Account, Entry, Lot
from lots.queries.holdings import NOW, AsOf
from lots.queries.standings import standings_of
from lots.queries.trace_steps import first_moment_from, steps_around, steps_into, stream_steps
from lots.trace import Mixing, Mixture, mix
from lots.trace_following import Following, follow, follow_since
from lots.trace_steps import Holder


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
    nodes: list[Node]
    edges: list[Edge]


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
    """Where some of a lot's metal is: in a lot that stands somewhere, or gone to an account."""

    lot: Lot | None
    place_id: int | None
    owner_id: int | None
    account: str
    metal: str
    mass_ug: int


@dataclass(frozen=True)
class ForwardTrace:
    """Where a lot's metal has gone. Per metal the parts sum to `entered_ug` to the microgram.

    `entered_ug` is all that ever came into the lot; the graph's edges carry this lot's metal alone.
    """

    lot: Lot
    as_of: AsOf
    entered_ug: dict[str, int]
    parts: list[Part]
    graph: Graph


def trace_back(lot: Lot, as_of: AsOf = NOW) -> BackTrace:
    """The origins of what `lot` holds."""
    steps, back = steps_into(lot.pk, as_of)
    traced = mix(steps, back)
    mixtures = {
        metal: contents[lot.pk]
        for metal, contents in sorted(traced.contents.items())
        if contents.get(lot.pk)
    }
    lots = Lot.objects.in_bulk({origin.lot for each in mixtures.values() for origin in each})
    unsure = _content_uncertainties_ug(lots, as_of)
    shares = []
    for metal, mixture in mixtures.items():
        brought = _by_lot(traced.begun[metal])
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
    edges = {key: ug for key, ug in traced.edges.items() if key[1] in back}
    held = {metal: sum(mixture.values()) for metal, mixture in mixtures.items()}
    return BackTrace(lot, as_of, held, shares, graph_of(edges))


def trace_forward(lot: Lot, as_of: AsOf = NOW) -> ForwardTrace:
    """Where the metal that has been in `lot` is, or how it left the works."""
    traced = _followed(lot.pk, as_of)
    metals = [metal for metal, ug in sorted(traced.entered.items()) if ug]
    parts_ug = {metal: traced.parts(metal) for metal in metals}
    ids = {pk for each in parts_ug.values() for pk in each}
    lots, standings = Lot.objects.in_bulk(ids), standings_of(ids, as_of)
    parts = [
        Part(lots[pk], standings[pk].place_id, standings[pk].owner_id, "", metal, ug)
        for metal in metals
        for pk, ug in sorted(parts_ug[metal].items(), key=lambda item: (-item[1], item[0]))
    ]
    parts += [
        Part(None, None, None, account, metal, ug)
        for metal in metals
        for account, ug in sorted(traced.gone[metal].items())
        if ug
    ]
    entered = {metal: traced.entered[metal] for metal in metals}
    return ForwardTrace(lot, as_of, entered, parts, graph_of(traced.edges))


def _followed(lot: int, as_of: AsOf) -> Following:
    """From when the lot came in, if that is enough; else through all that is connected with it."""
    since = first_moment_from(lot, as_of)
    if since is not None:
        around = steps_around(lot, as_of, since=since)
        following = follow_since(around.steps, lot, around.lots, around.held or {})
        if following is not None:
            return following
    around = steps_around(lot, as_of)
    return follow(around.steps, lot, around.lots)


def trace_all(as_of: AsOf = NOW) -> Mixing:
    """The mixture in every lot and of all that left the works, in one pass over the books."""
    return mix(stream_steps(as_of))


def graph_of(edges: Mapping[tuple[Holder, Holder, str], int]) -> Graph:
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


def _by_lot(mixture: Mixture) -> dict[int, int]:
    sums: dict[int, int] = defaultdict(int)
    for origin, ug in mixture.items():
        sums[origin.lot] += ug
    return sums
