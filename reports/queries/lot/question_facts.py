"""What the books said when a customer asked, as it was kept with the question, for reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from lots.models import Assay
from reports.conventions import percent_of
from reports.json_ready import read_back
from reports.models import SettlementQuestion
from reports.queries.lot.exchange_agreement import MetalAgreement
from reports.queries.lot.lot_answer_lines import LOST, WHERE_NAMES, MetalAnswer, Where
from reports.queries.lot.lot_evidence import AssayLine, LotEvidence, WeighingLine


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
    """`assays` are reports with whose they are and the unit of their results."""

    weights: tuple[WeighingLine, ...]
    assays: tuple[tuple[AssayLine, str, str], ...]
    agreements: tuple[MetalAgreement, ...]
    outcomes: tuple[tuple[str, Decimal, str], ...]
    metals: tuple[MetalKept, ...]
    payable: Mapping[str, Any]
    notes: tuple[str, ...]


def question_facts(question: SettlementQuestion) -> QuestionFacts:
    """The answer as it was put together when the question came; nothing is asked of the books."""
    kept: Mapping[str, Any] = question.answer
    lot, settlement = kept["lot"], kept["settlement"]
    lines = [each["line"] for each in settlement["lines"]] if settlement else []
    evidence: LotEvidence = read_back(LotEvidence, lot["evidence"])
    return QuestionFacts(
        weights=tuple(each for each in evidence.weighings if not each.withdrawn),
        assays=tuple(
            (
                each,
                Assay.Side(each.side).label,
                "‰" if each.basis == Assay.Basis.FINENESS else "g/L",
            )
            for each in evidence.assays
            if not each.withdrawn
        ),
        agreements=read_back(tuple[MetalAgreement, ...], kept["agreements"]),
        outcomes=tuple(
            (line["section"], Decimal(line["value"]), line["note"])
            for line in lines
            if line["key"].endswith("_agreed")
        ),
        metals=tuple(map(_metal, read_back(tuple[MetalAnswer, ...], lot["metals"]))),
        payable=lot["payable"],
        notes=(*filter(None, [lot.get("withheld")]), lot["signs"], lot["mixing"], lot["deference"]),
    )


def _metal(each: MetalAnswer) -> MetalKept:
    entered, where = each.entered_ug, each.where_ug
    lost_ug = sum(where.get(heading, 0) for heading in LOST)
    return MetalKept(
        metal=each.metal,
        entered_ug=entered,
        where=tuple(
            (WHERE_NAMES[heading], where[heading], percent_of(where[heading], entered))
            for heading in Where
            if where.get(heading)
        ),
        lost_ug=lost_ug,
        lost_percent=percent_of(lost_ug, entered),
    )
