"""Which results of the works a customer may not see yet, and what on the books follows from them.

Where assays are exchanged, neither party learns the other's before its own is in (common practice,
no source). Until then the lot stands, for its customer, as it was declared. Whatever shows books to
a customer asks here what to leave out.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from django.db.models import Q

from lots.models import Assay, Lot, LotStanding, Movement, Party
from reports.models import Settlement
from reports.queries.lot.settlement_case import received_on, terms_for
from reports.queries.lot_family import Family
from reports.queries.shared_links import SHOWN_STATES
from reports.terms import SamplingBasis, parse_terms


@dataclass(frozen=True)
class Sealed:
    """What of a customer's is sealed; false when nothing is.

    `came_in` are the codes of the lots whose results are awaited, `lots` those and what was made of
    them that is or was the customer's too, code by primary key. `assays` are the works' and the
    umpires' of these, `movements` all that touched them from the one numbered `since`, when
    they came in. `pooled_since` is the number of the first that took from them to the works, None
    before.
    """

    customer: Party
    came_in: tuple[str, ...] = ()
    lots: Mapping[int, str] = field(default_factory=dict)
    assays: frozenset[int] = frozenset()
    movements: frozenset[int] = frozenset()
    since: int = 0
    pooled_since: int | None = None

    def __bool__(self) -> bool:
        return bool(self.lots)

    @property
    def words(self) -> str:
        """What is left out and why, for the customer to read."""
        if not self:
            return ""
        return (
            f"The works' results of {', '.join(self.came_in)} are not shown until the customer's "
            "own are recorded. Until then these lots stand as they were declared: what was "
            "measured, used up, moved or given back of them since, and what follows from it "
            "elsewhere, is left out."
        )


def sealed_for(customer: Party) -> Sealed:
    """What the customer may not see yet: results of the works with none of theirs beside them.

    The results are of the metals that the terms name, of all while no terms are known; those of a
    lot that terms don't exchange, or that is settled for good, are open.
    """
    contracts = [parse_terms(each.content) for each in customer.contract_terms.all()]
    if contracts and not any(terms.exchanged for terms in contracts):
        return Sealed(customer)
    theirs = _lots_of(customer)
    assays = _assays(theirs)
    named = {each.metal for terms in contracts for each in terms.metals}
    asked = {each.lot for each in assays if each.is_ours and not _is_met(each, assays, named)}
    if not asked:
        return Sealed(customer)
    family = Family(theirs, asked)
    awaited = {root for root in family.came_in if _is_awaited(customer, root, family, assays)}
    lots = family.made_of(awaited)
    if not lots:
        return Sealed(customer)
    codes = dict(Lot.objects.filter(pk__in=lots).order_by("pk").values_list("pk", "code"))
    mixed_from = family.sources_of(lots)
    settled = Settlement.objects.filter(lot__in=mixed_from, movement__isnull=False)
    assayed = frozenset(each.id for each in assays if each.is_ours and each.lot in lots)
    ruled = Movement.objects.filter(_ruled(assayed)).values_list("pk", flat=True)
    return Sealed(
        customer,
        came_in=tuple(codes[root] for root in sorted(awaited)),
        lots=codes,
        assays=assayed,
        movements=frozenset(
            {
                *family.movements_of(lots),
                *ruled,
                *settled.values_list("movement_id", flat=True),
            }
        ),
        since=min(leg.sequence for leg in family.legs.values() if leg.took & lots),
        pooled_since=family.pooled_since(lots),
    )


def ruled_movements(party: Party) -> Q:
    """Movements that no event tells the party of: what sealed results ruled, and its reversals."""
    return _ruled(sealed_for(party).assays)


def _ruled(assays: Collection[int]) -> Q:
    return Q(ruling__assay__in=assays) | Q(reverses__ruling__assay__in=assays)


@dataclass(frozen=True)
class _Assayed:
    id: int
    lot: int
    is_ours: bool
    counts: bool
    metals: frozenset[str]


def _lots_of(customer: Party) -> set[int]:
    """What the customer sent in, with what was made of it, and what is or was their own."""
    sent = Lot.objects.filter(received_from=customer).order_by().values_list("pk", flat=True)
    owned = LotStanding.objects.filter(owner=customer).order_by().values_list("lot_id", flat=True)
    return {*sent, *owned}


def _assays(lots: Collection[int]) -> list[_Assayed]:
    rows = Assay.objects.filter(lot__in=lots).select_related("withdrawal")
    return [
        _Assayed(
            id=each.pk,
            lot=each.lot_id,
            is_ours=each.side != Assay.Side.COUNTERPARTY,
            counts=not hasattr(each, "withdrawal"),
            metals=frozenset(result.metal for result in each.results.all()),
        )
        for each in rows.prefetch_related("results")
    ]


def _is_met(ours: _Assayed, assays: Collection[_Assayed], named: set[str]) -> bool:
    """Whether the customer's results of the same lot have every metal of ours that counts."""
    told = {
        metal
        for each in assays
        if each.lot == ours.lot and not each.is_ours and each.counts
        for metal in each.metals
    }
    return ours.metals & named <= told if named else bool(told)


def _is_awaited(customer: Party, root: int, family: Family, assays: Collection[_Assayed]) -> bool:
    """Whether the works have a result of what came in as `root` that the customer has none of."""
    made = family.made_of([root])
    ours = {metal for each in assays if each.is_ours and each.lot in made for metal in each.metals}
    if not ours:
        return False
    lot = Lot.objects.get(pk=root)
    contract = terms_for(customer, lot.form, received_on(lot))
    terms = parse_terms(contract.content) if contract else None
    basis = terms.sampling_basis if terms else SamplingBasis.ANY
    told = {
        metal
        for each in assays
        if not each.is_ours and each.counts and each.lot in made
        if basis == SamplingBasis.ANY or (each.lot == root) == (basis == SamplingBasis.RECEIVED)
        for metal in each.metals
    }
    if terms is None:
        is_told = bool(told)
    else:
        is_told = not terms.exchanged or ours & {each.metal for each in terms.metals} <= told
    final = Settlement.objects.filter(
        lot__in=made, kind=Settlement.Kind.FINAL, state__in=SHOWN_STATES
    )
    return not is_told and not final.exists()
