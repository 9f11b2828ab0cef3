"""One settlement as a document: who, which lot, every line, what is due, what changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from lots.models import Party
from lots.units import ug_to_g
from reports.formulas import with_names_replaced
from reports.json_ready import read_back
from reports.models import Settlement
from reports.settle import DEFERENCE, ROUNDING, SIGNS
from reports.settlement_lines import Case, Line, Statement
from reports.terms import SettleIn, parse_terms


@dataclass(frozen=True)
class DocumentLine:
    """One line with its formula in figures, for reading beside the result."""

    line: Line
    in_figures: str


@dataclass(frozen=True)
class PayableMetal:
    """Metal payable; the ounces are rounded as the terms say."""

    metal: str
    mass_ug: int
    grams: Decimal
    ounces: Decimal


@dataclass(frozen=True)
class SettlementDocument:
    """A settlement ready for JSON, the page, the PDF and the workbook."""

    code: str
    kind: str
    state: str
    lot: str
    lot_description: str
    house: str
    customer: str
    customer_name: str
    terms_version: str
    settle_in: str
    currency: str
    prepared_by: str
    prepared_at: dt.datetime
    approved_by: str
    approved_at: dt.datetime | None
    one_person: str
    supersedes: str
    lines: tuple[DocumentLine, ...]
    payable: tuple[PayableMetal, ...]
    total: Decimal
    changes: tuple[dict[str, Any], ...]
    note: str
    signs: str = SIGNS
    rounding: str = ROUNDING
    deference: str = DEFERENCE


def settlement_statement(settlement: Settlement) -> SettlementDocument:
    """The document of a settlement as it was frozen when prepared."""
    settlement = Settlement.objects.select_related(
        "lot", "customer", "contract_terms__customer", "prepared_by", "approved_by", "supersedes"
    ).get(pk=settlement.pk)
    house = Party.objects.filter(kind=Party.Kind.HOUSE).first()
    statement = statement_of(settlement)
    return SettlementDocument(
        code=settlement.code,
        kind=settlement.get_kind_display(),
        state=settlement.get_state_display(),
        lot=settlement.lot.code,
        lot_description=settlement.lot.description,
        house=house.name if house else "",
        customer=settlement.customer.code,
        customer_name=settlement.customer.name,
        terms_version=str(settlement.contract_terms),
        settle_in=settle_in_of(settlement),
        currency=settlement.currency,
        prepared_by=settlement.prepared_by.get_username(),
        prepared_at=settlement.prepared_at,
        approved_by=settlement.approved_by.get_username() if settlement.approved_by else "",
        approved_at=settlement.approved_at,
        one_person=settlement.one_person,
        supersedes=settlement.supersedes.code if settlement.supersedes else "",
        lines=tuple(_in_figures(statement.lines)),
        payable=tuple(
            PayableMetal(metal, ug, ug_to_g(ug), statement.line(f"{metal}_payable_ozt").value)
            for metal, ug in statement.payable_ug.items()
        ),
        total=statement.total,
        changes=tuple(settlement.changes),
        note=settlement.note,
    )


def settle_in_of(settlement: Settlement) -> SettleIn:
    """Whether metal or money is due, by the terms frozen with it."""
    return parse_terms(settlement.terms).settle_in


def statement_of(settlement: Settlement) -> Statement:
    """The reckoning as it was frozen."""
    lines: tuple[Line, ...] = read_back(tuple[Line, ...], settlement.lines)
    return Statement(
        lines=lines,
        payable_ug=dict(settlement.payable_ug),
        total=next(line.value for line in lines if line.key == "total"),
        currency=settlement.currency,
        branches={},
    )


def case_of(settlement: Settlement) -> Case:
    """What it was reckoned from, as it was frozen."""
    case: Case = read_back(Case, {**settlement.case, "terms": None})
    return replace(case, terms=parse_terms(settlement.terms))


def _in_figures(lines: Iterable[Line]) -> list[DocumentLine]:
    values: dict[str, str] = {}
    told = []
    for line in lines:
        told.append(DocumentLine(line, with_names_replaced(line.formula, values)))
        values[line.key] = f"({line.value:f})" if line.value < 0 else f"{line.value:f}"
    return told
