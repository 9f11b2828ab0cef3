"""What the books said when a customer asked, as it was kept with the question, for reading."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from lots.models import Assay
from reports.conventions import percent_of
from reports.models import SettlementQuestion
from reports.queries.lot.lot_answer_lines import LOST, WHERE_NAMES, Where


@dataclass(frozen=True)
class WeightKept:
    purpose: str
    taken_at: dt.datetime
    balance: str
    net_ug: int
    standard_uncertainty_ug: int


@dataclass(frozen=True)
class AssayKept:
    """One report; `results` are metal, value and standard uncertainty in `unit`."""

    side: str
    laboratory: str
    method: str
    reported_at: dt.datetime
    unit: str
    results: tuple[tuple[str, Decimal, Decimal], ...]
    rules: bool


@dataclass(frozen=True)
class AgreementKept:
    """Both parties' results (parts per thousand) and what their uncertainties allow at 95 %."""

    metal: str
    house: tuple[Decimal, Decimal]
    counterparty: tuple[Decimal, Decimal]
    umpire: tuple[Decimal, Decimal] | None
    difference_ppt: Decimal
    allowed_ppt: Decimal
    within: bool


@dataclass(frozen=True)
class MetalKept:
    """One metal: where it was by heading, with per cent of what came in; `lost` sums two of them.

    What is lost is what stood on losses and on differences; below nought, more was found.
    """

    metal: str
    entered_ug: int
    where: tuple[tuple[str, int, Decimal | None], ...]
    lost_ug: int
    lost_percent: Decimal | None


@dataclass(frozen=True)
class QuestionFacts:
    weights: tuple[WeightKept, ...]
    assays: tuple[AssayKept, ...]
    agreements: tuple[AgreementKept, ...]
    outcomes: tuple[tuple[str, Decimal, str], ...]
    metals: tuple[MetalKept, ...]
    payable: Mapping[str, Any]
    notes: tuple[str, ...]


def question_facts(question: SettlementQuestion) -> QuestionFacts:
    """The answer as it was put together when the question came; nothing is asked of the books."""
    kept: Mapping[str, Any] = question.answer
    lot, settlement = kept["lot"], kept["settlement"]
    lines = [each["line"] for each in settlement["lines"]] if settlement else []
    return QuestionFacts(
        weights=tuple(
            WeightKept(
                each["purpose"],
                dt.datetime.fromisoformat(each["taken_at"]),
                each["balance"],
                each["net_ug"],
                each["standard_uncertainty_ug"],
            )
            for each in lot["evidence"]["weighings"]
            if not each["withdrawn"]
        ),
        assays=tuple(_assay(each) for each in lot["evidence"]["assays"] if not each["withdrawn"]),
        agreements=tuple(_agreement(each) for each in kept["agreements"]),
        outcomes=tuple(
            (line["section"], Decimal(line["value"]), line["note"])
            for line in lines
            if line["key"].endswith("_agreed")
        ),
        metals=tuple(_metal(each) for each in lot["metals"]),
        payable=lot["payable"],
        notes=(*filter(None, [lot.get("withheld")]), lot["signs"], lot["mixing"], lot["deference"]),
    )


def _assay(each: Mapping[str, Any]) -> AssayKept:
    return AssayKept(
        side=Assay.Side(each["side"]).label,
        laboratory=each["laboratory"],
        method=each["method"],
        reported_at=dt.datetime.fromisoformat(each["reported_at"]),
        unit="‰" if each["basis"] == Assay.Basis.FINENESS else "g/L",
        results=tuple((result["metal"], *_measured(result)) for result in each["results"]),
        rules=each["rules"],
    )


def _agreement(each: Mapping[str, Any]) -> AgreementKept:
    agreement = each["agreement"]
    return AgreementKept(
        metal=each["metal"],
        house=_measured(each["house"]),
        counterparty=_measured(each["counterparty"]),
        umpire=_measured(each["umpire"]) if each["umpire"] else None,
        difference_ppt=Decimal(agreement["difference_ppt"]),
        allowed_ppt=Decimal(agreement["allowed_ppt"]),
        within=agreement["within"],
    )


def _measured(result: Mapping[str, Any]) -> tuple[Decimal, Decimal]:
    return Decimal(result["value"]), Decimal(result["standard_uncertainty"])


def _metal(each: Mapping[str, Any]) -> MetalKept:
    entered, where = each["entered_ug"], each["where_ug"]
    lost_ug = sum(where.get(heading, 0) for heading in LOST)
    return MetalKept(
        metal=each["metal"],
        entered_ug=entered,
        where=tuple(
            (WHERE_NAMES[heading], where[heading], percent_of(where[heading], entered))
            for heading in Where
            if where.get(heading)
        ),
        lost_ug=lost_ug,
        lost_percent=percent_of(lost_ug, entered),
    )
