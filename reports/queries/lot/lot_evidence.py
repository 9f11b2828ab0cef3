"""What was measured of one lot, before and after melting; what was withdrawn says so."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from lots.ledger.holdings import NOW, AsOf
from lots.measurements.ruling_assays import rulings_in_force
from lots.models import Assay, AssayRuling, Entry, Lot, Movement, Weighing
from reports.queries.lot.melt_chain import melt_chain


@dataclass(frozen=True)
class WeighingLine:
    """One weighing, micrograms; `withdrawn` says why it no longer counts."""

    id: int
    lot: str
    purpose: str
    taken_at: dt.datetime
    balance: str
    gross_ug: int
    tare_ug: int
    net_ug: int
    standard_uncertainty_ug: int
    calibration_overdue: bool
    withdrawn: str


@dataclass(frozen=True)
class ResultLine:
    """One metal's figure in the assay's basis, with its standard uncertainty."""

    metal: str
    value: Decimal
    standard_uncertainty: Decimal


@dataclass(frozen=True)
class AssayLine:
    """One laboratory's report; `rules` marks the one that counts, with the reason given."""

    id: int
    lot: str
    method: str
    laboratory: str
    side: str
    basis: str
    certificate: str
    reported_at: dt.datetime
    results: tuple[ResultLine, ...]
    rules: bool
    ruling_reason: str
    withdrawn: str


@dataclass(frozen=True)
class LotEvidence:
    """`declared_ug` is the content by metal as the sender stated it.

    Weighings and assays are of the lot and of what it was melted into, in order of time.
    """

    weighings: tuple[WeighingLine, ...]
    declared_ug: dict[str, int]
    assays: tuple[AssayLine, ...]


def lot_evidence(lot: Lot, as_of: AsOf = NOW) -> LotEvidence:
    """Everything measured or declared of the lot as of then."""
    chain = melt_chain(lot, as_of)
    return LotEvidence(_weighings(chain, as_of), _declared(lot, as_of), _assays(chain, as_of))


def _weighings(chain: list[Lot], as_of: AsOf) -> tuple[WeighingLine, ...]:
    rows = Weighing.objects.filter(lot__in=chain).select_related("lot", "balance", "withdrawal")
    if as_of.occurred is not None:
        rows = rows.filter(taken_at__lte=as_of.occurred)
    if as_of.recorded is not None:
        rows = rows.filter(recorded_at__lte=as_of.recorded)
    return tuple(
        WeighingLine(
            id=each.pk,
            lot=each.lot.code,
            purpose=each.get_purpose_display(),
            taken_at=each.taken_at,
            balance=each.balance.name,
            gross_ug=each.gross_ug,
            tare_ug=each.tare_ug,
            net_ug=each.net_ug,
            standard_uncertainty_ug=each.standard_uncertainty_ug,
            calibration_overdue=each.calibration_overdue,
            withdrawn=_withdrawn(each),
        )
        for each in rows.order_by("taken_at", "pk")
    )


def _declared(lot: Lot, as_of: AsOf) -> dict[str, int]:
    rows = Entry.objects.filter(
        as_of.limit(),
        lot=lot,
        movement__kind=Movement.Kind.RECEIPT,
        movement__reversed_by__isnull=True,
        basis=Entry.Basis.DECLARED,
    ).order_by("id")
    return dict(rows.values_list("metal", "mass_ug"))


def _assays(chain: list[Lot], as_of: AsOf) -> tuple[AssayLine, ...]:
    rulings = rulings_in_force().filter(lot__in=chain)
    rows = Assay.objects.filter(lot__in=chain)
    if as_of.occurred is not None:
        rulings = rulings.filter(decided_at__lte=as_of.occurred)
        rows = rows.filter(reported_at__lte=as_of.occurred)
    if as_of.recorded is not None:
        rows = rows.filter(recorded_at__lte=as_of.recorded)
    # The latest ruling of each lot holds; rulings come latest first.
    ruling_of: dict[int, AssayRuling] = {}
    for ruling in rulings:
        ruling_of.setdefault(ruling.lot_id, ruling)
    reasons = {ruling.assay_id: ruling.reason for ruling in ruling_of.values()}
    rows = rows.select_related("lot", "laboratory", "withdrawal").prefetch_related("results")
    return tuple(
        AssayLine(
            id=each.pk,
            lot=each.lot.code,
            method=each.get_method_display(),
            laboratory=each.laboratory.name,
            side=each.side,
            basis=each.basis,
            certificate=each.certificate,
            reported_at=each.reported_at,
            results=tuple(
                ResultLine(result.metal, result.value, result.standard_uncertainty)
                for result in each.results.all()
            ),
            rules=each.pk in reasons,
            ruling_reason=reasons.get(each.pk, ""),
            withdrawn=_withdrawn(each),
        )
        for each in rows.order_by("reported_at", "pk")
    )


def _withdrawn(measured: Weighing | Assay) -> str:
    withdrawal = getattr(measured, "withdrawal", None)
    return withdrawal.reason if withdrawal is not None else ""
