"""What became of one lot: received, assayed, where its metal is now, and what is owed for it."""

from __future__ import annotations

from collections import defaultdict
from typing import Final

from lots.ledger import accounts
from lots.ledger.holdings import NOW, AsOf, claims_of
from lots.ledger.snapshot import unmoving
from lots.models import Account, Lot, Party, Place
from lots.traces.lot_trace import ForwardTrace, Part, trace_forward
from reports.queries.lot.customer_view import seen_by_customer
from reports.queries.lot.lot_answer_lines import (
    WHERE_NAMES,
    LotAnswer,
    MetalAnswer,
    Where,
    WherePart,
)
from reports.queries.lot.lot_claim import customer_of, joined_pool_ug
from reports.queries.lot.lot_evidence import lot_evidence
from reports.queries.lot.lot_payable import lot_payable

__all__ = ["WHERE_NAMES", "LotAnswer", "MetalAnswer", "Where", "WherePart", "lot_answer"]

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


@unmoving
def lot_answer(lot: Lot, as_of: AsOf = NOW, *, seen_by: Party | None = None) -> LotAnswer:
    """Everything the books say of the lot and of the metal that came in with it, as of then.

    `seen_by` a customer, it names no other customer's lot, and shows the works' results only once
    the customer's own is recorded, so that neither party sees the other's before the exchange.
    """
    lot = Lot.objects.select_related("owner", "received_from").get(pk=lot.pk)
    ahead = trace_forward(lot, as_of)
    parts = _parts(lot, ahead)
    customer = seen_by or customer_of(lot)
    claims = claims_of(customer, as_of) if customer is not None else {}
    answer = LotAnswer(
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
        payable=lot_payable(lot, as_of),
    )
    return answer if seen_by is None else seen_by_customer(answer, seen_by)


def _parts(lot: Lot, ahead: ForwardTrace) -> tuple[WherePart, ...]:
    places = Place.objects.in_bulk({part.place_id for part in ahead.parts if part.place_id})
    named = {account.code: account for account in Account.objects.all()}
    parts = [_part(lot, part, places, named) for part in ahead.parts]
    headings, metals = list(Where), list(ahead.entered_ug)
    parts.sort(key=lambda part: (metals.index(part.metal), headings.index(part.where)))
    return tuple(parts)


def _part(lot: Lot, part: Part, places: dict[int, Place], named: dict[str, Account]) -> WherePart:
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
            standard_uncertainty_ug=part.standard_uncertainty_ug,
        )
    account = named[part.account]
    by_code = {accounts.RETURNED: Where.RETURNED, accounts.SHIPPED: Where.SHIPPED}
    where = by_code.get(account.code) or _BY_KIND.get(account.kind, Where.TAKEN_BACK)
    return WherePart(
        metal=part.metal,
        where=where,
        holder=account.code,
        name=account.name,
        form="",
        place="",
        mass_ug=part.mass_ug,
        standard_uncertainty_ug=part.standard_uncertainty_ug,
    )


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
            standard_uncertainty_ug=ahead.entered_uncertainty_ug.get(metal),
            where_ug=dict(where[metal]),
            joined_pool_ug=joined.get(metal, 0),
            claim_ug=claims.get(metal, 0),
        )
        for metal, entered_ug in ahead.entered_ug.items()
    )
