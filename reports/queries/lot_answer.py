"""What became of one lot: received, assayed, where its metal is now, and what is owed for it."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from lots import chart
from lots.models import Account, Lot, Place
from lots.queries.holdings import NOW, AsOf, claims_of
from lots.queries.trace import ForwardTrace, Graph, Part, trace_forward
from reports.queries.lot_claim import customer_of, joined_pool_ug
from reports.queries.lot_evidence import LotEvidence, lot_evidence

DEFERENCE: Final = "Terms of the contract and local law decide; this statement does not."
SIGNS: Final = (
    "All masses are micrograms of metal and positive where metal is: in a lot, shipped, returned, "
    "lost. On differences, positive is metal gone from the books there, negative is metal found "
    "above them. Per metal the lines sum to what came in with the lot, as ruled by its assay where "
    "one was, to the microgram."
)
MIXING: Final = (
    "Where lots were mixed, each lot's part is reckoned in proportion to what it brought (common "
    "practice, no source): metal of one fineness has no name on it."
)


class Where(StrEnum):
    """The headings of the answer, in the order a customer asks."""

    THE_LOT = "the_lot"
    FINE = "fine"
    ELECTROLYTE = "electrolyte"
    SLIMES = "slimes"
    IN_PROCESS = "in_process"
    OTHER_LOTS = "other_lots"
    RETURNED = "returned"
    SHIPPED = "shipped"
    LOSSES = "losses"
    DIFFERENCES = "differences"
    TAKEN_BACK = "taken_back"


WHERE_NAMES: Final[dict[Where, str]] = {
    Where.THE_LOT: "Still in the lot as received",
    Where.FINE: "Fine metal",
    Where.ELECTROLYTE: "Electrolyte, rinse water and other solutions",
    Where.SLIMES: "Slimes",
    Where.IN_PROCESS: "In process",
    Where.OTHER_LOTS: "Other lots",
    Where.RETURNED: "Returned to customers",
    Where.SHIPPED: "Shipped",
    Where.LOSSES: "Losses",
    Where.DIFFERENCES: "Differences",
    Where.TAKEN_BACK: "Entries taken back",
}
_BY_FORM: Final[dict[str, Where]] = {
    Lot.Form.FINE_CRYSTAL: Where.FINE,
    Lot.Form.FINE_GOLD: Where.FINE,
    Lot.Form.BAR: Where.FINE,
    Lot.Form.ELECTROLYTE: Where.ELECTROLYTE,
    Lot.Form.RINSE_WATER: Where.ELECTROLYTE,
    Lot.Form.SOLUTION: Where.ELECTROLYTE,
    Lot.Form.SLIMES_BAG: Where.SLIMES,
    Lot.Form.IN_PROCESS: Where.IN_PROCESS,
    Lot.Form.ANODE_CHARGE: Where.IN_PROCESS,
}
_BY_KIND: Final[dict[str, Where]] = {
    Account.Kind.LOSS: Where.LOSSES,
    Account.Kind.DIFFERENCE: Where.DIFFERENCES,
}


@dataclass(frozen=True)
class WherePart:
    """Some of the lot's metal in one place: a lot (code, form, place) or an account it went to."""

    metal: str
    where: Where
    holder: str
    name: str
    form: str
    place: str
    mass_ug: int


@dataclass(frozen=True)
class MetalAnswer:
    """One metal of the lot: `where_ug` sums to `entered_ug` to the microgram.

    `joined_pool_ug` is what of it joined the works' pool and became the customer's claim;
    `claim_ug` is all the customer has in the pool, of every lot.
    """

    metal: str
    entered_ug: int
    where_ug: dict[Where, int]
    joined_pool_ug: int
    claim_ug: int


@dataclass(frozen=True)
class LotAnswer:
    """The whole answer for one lot, ready for JSON, the page and the printed statement."""

    lot: str
    form: str
    description: str
    state: str
    owner: str
    owner_name: str
    received_from: str
    as_of_occurred: dt.datetime | None
    as_of_recorded: dt.datetime | None
    evidence: LotEvidence
    metals: tuple[MetalAnswer, ...]
    parts: tuple[WherePart, ...]
    graph: Graph
    signs: str = SIGNS
    mixing: str = MIXING
    deference: str = DEFERENCE


def lot_answer(lot: Lot, as_of: AsOf = NOW) -> LotAnswer:
    """Everything the books say of the lot and of the metal that came in with it, as of then."""
    lot = Lot.objects.select_related("owner", "received_from").get(pk=lot.pk)
    ahead = trace_forward(lot, as_of)
    parts = _parts(lot, ahead)
    customer = customer_of(lot)
    claims = claims_of(customer, as_of) if customer is not None else {}
    return LotAnswer(
        lot=lot.code,
        form=lot.form,
        description=lot.description,
        state=lot.state,
        owner=lot.owner.code,
        owner_name=lot.owner.name,
        received_from=lot.received_from.name if lot.received_from else "",
        as_of_occurred=as_of.occurred,
        as_of_recorded=as_of.recorded,
        evidence=lot_evidence(lot, as_of),
        metals=_metals(ahead, parts, joined_pool_ug(lot, ahead, as_of), claims),
        parts=parts,
        graph=ahead.graph,
    )


def _parts(lot: Lot, ahead: ForwardTrace) -> tuple[WherePart, ...]:
    places = Place.objects.in_bulk({part.place_id for part in ahead.parts if part.place_id})
    accounts = {account.code: account for account in Account.objects.all()}
    parts = [_part(lot, part, places, accounts) for part in ahead.parts]
    headings, metals = list(Where), list(ahead.entered_ug)
    parts.sort(key=lambda part: (metals.index(part.metal), headings.index(part.where)))
    return tuple(parts)


def _part(
    lot: Lot, part: Part, places: dict[int, Place], accounts: dict[str, Account]
) -> WherePart:
    if part.lot is not None:
        assert part.place_id is not None
        where = _BY_FORM.get(part.lot.form, Where.OTHER_LOTS)
        return WherePart(
            metal=part.metal,
            where=Where.THE_LOT if part.lot.pk == lot.pk else where,
            holder=part.lot.code,
            name=part.lot.description or part.lot.get_form_display(),
            form=part.lot.form,
            place=places[part.place_id].name,
            mass_ug=part.mass_ug,
        )
    account = accounts[part.account]
    by_code = {chart.RETURNED: Where.RETURNED, chart.SHIPPED: Where.SHIPPED}
    where = by_code.get(account.code) or _BY_KIND.get(account.kind, Where.TAKEN_BACK)
    return WherePart(part.metal, where, account.code, account.name, "", "", part.mass_ug)


def _metals(
    ahead: ForwardTrace,
    parts: tuple[WherePart, ...],
    joined: dict[str, int],
    claims: dict[str, int],
) -> tuple[MetalAnswer, ...]:
    where: dict[str, dict[Where, int]] = {metal: defaultdict(int) for metal in ahead.entered_ug}
    for part in parts:
        where[part.metal][part.where] += part.mass_ug
    for metal, entered_ug in ahead.entered_ug.items():
        assert sum(where[metal].values()) == entered_ug, "the parts are the whole"
    return tuple(
        MetalAnswer(
            metal=metal,
            entered_ug=entered_ug,
            where_ug=dict(where[metal]),
            joined_pool_ug=joined.get(metal, 0),
            claim_ug=claims.get(metal, 0),
        )
        for metal, entered_ug in ahead.entered_ug.items()
    )
