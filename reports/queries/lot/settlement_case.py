"""Puts together what a settlement of one lot is reckoned from: weight, results, prices."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Final

from config.refusals import refuse
from lots.fineness import WHOLE_PPT
from lots.ledger.holdings import NOW, AsOf
from lots.models import Assay, Entry, Lot, MaterialEntry, Movement, Party, Weighing
from lots.units import UG_PER_G, UG_PER_UNIT, ug_to_g
from reports.models import ContractTerms, MetalPrice
from reports.queries.lot.lot_evidence import AssayLine, LotEvidence, WeighingLine, lot_evidence
from reports.queries.month.periods import local_day
from reports.settlement_lines import Case, Evidence, Figure, MetalFigures
from reports.terms import PriceBasis, SamplingBasis, SettleIn, Terms, WeightBasis

_SIDE = Assay.Side
DECLARED_DECIMALS: Final = 3


def terms_for(customer: Party, form: str, day: dt.date) -> ContractTerms | None:
    """The latest version valid on that day: the customer's terms for the form, else for all."""
    versions = ContractTerms.objects.filter(
        customer=customer, form__in=["", form], valid_from__lte=day
    )
    return versions.order_by("-form", "-valid_from", "-number").first()


def settlement_case(
    lot: Lot,
    terms: Terms,
    *,
    is_provisional: bool = False,
    is_shown: bool = False,
    impurities_ppt: Mapping[str, Decimal] | None = None,
    tax: Decimal | None = None,
    moisture_ppt: Decimal | None = None,
    as_of: AsOf = NOW,
) -> Case:
    """The case of a lot under `terms`, from what stands on record as of then.

    The weight is the latest of its kind; each side's result the latest that reports the metal, but
    the house's is the one that rules where it does. Where the terms say of what the sample is
    taken, assays of other samples don't count. Impurities given by the user go before those found
    in assays. A provisional case that is to be shown to the customer takes what was declared in
    place of results that are still to be exchanged. Raises ConflictError `weighing_missing`,
    `result_missing`.
    """
    evidence = _as_sampled(lot_evidence(lot, as_of), lot, terms)
    awaited = set()
    if is_shown and is_provisional and terms.exchanged:
        metals = {each.metal for each in terms.metals}
        awaited = {each for each in metals if not _result(evidence, _SIDE.COUNTERPARTY, each)}
    figures = tuple(
        MetalFigures(
            metal=each.metal,
            fixings=_fixings(lot, terms, each.metal) if terms.settle_in == SettleIn.MONEY else (),
            **(
                {"declared": _declared(lot, each.metal)}
                if each.metal in awaited
                else {side: _result(evidence, side, each.metal) for side in _SIDE.values}
            ),
        )
        for each in terms.metals
    )
    if awaited:
        _check_declared(lot, awaited)
        theirs = tuple(each for each in evidence.assays if each.side == _SIDE.COUNTERPARTY)
        evidence = replace(evidence, assays=theirs)
    return Case(
        terms=terms,
        weight_g=_weight(evidence, terms),
        metals=figures,
        impurities_ppt=_impurities(evidence, terms, impurities_ppt or {}),
        tax=None if tax is None else Figure(tax, (Evidence("user", "tax"),)),
        is_provisional=is_provisional,
        moisture_ppt=(
            None if moisture_ppt is None else Figure(moisture_ppt, (Evidence("user", "moisture"),))
        ),
    )


def received_on(lot: Lot) -> dt.date:
    """The works' day on which the lot came in."""
    return local_day(lot.registered_at)


def _as_sampled(evidence: LotEvidence, lot: Lot, terms: Terms) -> LotEvidence:
    """The evidence with the assays of the sample that counts: of the lot itself, or of its melt."""
    if terms.sampling_basis == SamplingBasis.ANY:
        return evidence
    is_received = terms.sampling_basis == SamplingBasis.RECEIVED
    counted = tuple(line for line in evidence.assays if (line.lot == lot.code) == is_received)
    return replace(evidence, assays=counted)


def _weight(evidence: LotEvidence, terms: Terms) -> Figure:
    is_after_melt = terms.weight_basis == WeightBasis.AFTER_MELT
    purpose = Weighing.Purpose.MELT if is_after_melt else Weighing.Purpose.RECEIPT
    found = [
        line for line in evidence.weighings if line.purpose == purpose.label and not line.withdrawn
    ]
    if not found:
        raise refuse("weighing_missing", field="weight", value=purpose.label)
    line: WeighingLine = found[-1]
    text = f"{line.purpose}, {line.balance}, {local_day(line.taken_at)}, lot {line.lot}"
    return Figure(ug_to_g(line.net_ug), (Evidence("weighing", str(line.id), text),))


def _result(evidence: LotEvidence, side: str, metal: str) -> Figure | None:
    found = _found(evidence.assays, side, metal)
    ruling = [pair for pair in found if pair[0].rules]
    if not found:
        return None
    line, value = (ruling or found)[-1]
    text = f"{line.method}, {line.laboratory}"
    if line.certificate:
        text += f", {line.certificate}"
    return Figure(value, (Evidence("assay", str(line.id), text),))


def _check_declared(lot: Lot, metals: Collection[str]) -> None:
    if not lot_evidence(lot).declared_ug.keys() & metals:
        raise refuse("result_missing", field="assays", value=lot.code)


def _declared(lot: Lot, metal: str) -> Figure:
    """What the sender declared of the lot, parts per thousand of the weight received.

    Of a metal that was not declared nothing is reckoned until its results are exchanged.
    """
    entry = Entry.objects.filter(
        lot=lot,
        metal=metal,
        movement__kind=Movement.Kind.RECEIPT,
        movement__reversed_by=None,
    ).first()
    if entry is None:
        return Figure(Decimal(0), (Evidence("declared", lot.code, f"no {metal}"),))
    received = MaterialEntry.objects.get(movement=entry.movement_id, lot=lot)
    ppt = round(Decimal(entry.mass_ug) / received.mass_ug * WHOLE_PPT, DECLARED_DECIMALS)
    text = "by the sender, of the weight received"
    return Figure(ppt.normalize(), (Evidence("declared", lot.code, text),))


def _found(assays: Sequence[AssayLine], side: str, metal: str) -> list[tuple[AssayLine, Decimal]]:
    return [
        (line, result.value.normalize())
        for line in assays
        if line.side == side and line.basis == Assay.Basis.FINENESS and not line.withdrawn
        for result in line.results
        if result.metal == metal
    ]


def _impurities(
    evidence: LotEvidence, terms: Terms, given: Mapping[str, Decimal]
) -> dict[str, Figure]:
    figures: dict[str, Figure] = {}
    for penalty in terms.penalties:
        element = penalty.element
        found = _result(evidence, _SIDE.HOUSE, element)
        if element in given:
            figures[element] = Figure(given[element], (Evidence("user", element),))
        elif found is not None:
            figures[element] = found
    return figures


def _fixings(lot: Lot, terms: Terms, metal: str) -> tuple[Figure, ...]:
    """The price in force on the first day of the period, or every price entered within it."""
    first = received_on(lot) + dt.timedelta(days=terms.period.days_after_receipt)
    prices = MetalPrice.objects.filter(metal=metal, currency=terms.currency)
    if terms.price_basis == PriceBasis.DAY:
        rows = list(prices.filter(from_date__lte=first).order_by("-from_date")[:1])
    else:
        last = first + dt.timedelta(days=terms.period.days - 1)
        rows = list(prices.filter(from_date__range=(first, last)).order_by("from_date"))
    return tuple(Figure(_per_ozt(row), (_price_evidence(row),)) for row in rows)


def _per_ozt(row: MetalPrice) -> Decimal:
    per_ozt = UG_PER_UNIT["ozt"] / UG_PER_G if row.per_unit == MetalPrice.Unit.G else 1
    return (row.price * per_ozt).normalize()


def _price_evidence(row: MetalPrice) -> Evidence:
    source = f", {row.source}" if row.source else ""
    text = f"{row.from_date}: {row.price.normalize():f} {row.currency}/{row.per_unit}{source}"
    return Evidence("price", str(row.pk), text)
