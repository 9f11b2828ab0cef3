"""Whether two parties' results of one lot differ by more than their uncertainties allow."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from lots.ledger.holdings import NOW, AsOf
from lots.models import Assay, Lot
from reports.assay_exchange import Agreement, agreement_of
from reports.queries.lot.lot_evidence import AssayLine, LotEvidence, ResultLine, lot_evidence


@dataclass(frozen=True)
class MetalAgreement:
    """One metal's results on both sides (parts per thousand), their agreement, and the umpire's."""

    metal: str
    house: ResultLine
    house_assay: int
    counterparty: ResultLine
    counterparty_assay: int
    umpire: ResultLine | None
    umpire_assay: int | None
    agreement: Agreement


def exchange_agreements(
    lot: Lot, as_of: AsOf = NOW, *, evidence: LotEvidence | None = None
) -> tuple[MetalAgreement, ...]:
    """Every metal that both sides reported, by the latest results that were not withdrawn."""
    evidence = evidence or lot_evidence(lot, as_of)
    house = _latest(evidence, Assay.Side.HOUSE)
    other = _latest(evidence, Assay.Side.COUNTERPARTY)
    umpire = _latest(evidence, Assay.Side.UMPIRE)
    return tuple(
        MetalAgreement(
            metal=metal,
            house=house[metal][1],
            house_assay=house[metal][0].id,
            counterparty=other[metal][1],
            counterparty_assay=other[metal][0].id,
            umpire=umpire[metal][1] if metal in umpire else None,
            umpire_assay=umpire[metal][0].id if metal in umpire else None,
            agreement=_agreement(house[metal][1], other[metal][1]),
        )
        for metal in house
        if metal in other
    )


def _latest(evidence: LotEvidence, side: str) -> dict[str, tuple[AssayLine, ResultLine]]:
    """By metal; an assay that rules goes before a later one that doesn't."""
    found: dict[str, tuple[AssayLine, ResultLine]] = {}
    for assay in evidence.assays:
        if assay.side != side or assay.withdrawn or assay.basis != Assay.Basis.FINENESS:
            continue
        for result in assay.results:
            earlier = found.get(result.metal)
            if earlier is None or assay.rules or not earlier[0].rules:
                found[result.metal] = (assay, result)
    return found


def _agreement(house: ResultLine, other: ResultLine) -> Agreement:
    pairs: list[Decimal] = [
        house.value,
        house.standard_uncertainty,
        other.value,
        other.standard_uncertainty,
    ]
    return agreement_of(*pairs)
