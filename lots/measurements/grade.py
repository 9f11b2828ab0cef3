"""Which grade of silver a lot's latest impurity analysis reaches, and what it leaves unsaid."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from config.refusals import RefusalError
from lots.grades import ElementLine, LimitBroken, grade_by_analysis, limits_beside
from lots.models import ImpurityAnalysis, Lot

CONFIRM: Final = (
    "The minimum fineness of each grade is as published; the limits of impurities are from memory: "
    "confirm them against the standard (ASTM B413) before a certificate rests on them."
)


@dataclass(frozen=True)
class LotGrade:
    """`grade` None: no grade is reached. It is only as good as what `unmeasured` would show."""

    lot: str
    analysis: int
    laboratory: str
    certificate: str
    reported_at: dt.datetime
    contents_ppt: dict[str, Decimal]
    grade: str | None
    uns: str
    unmeasured: tuple[str, ...]
    broken: tuple[LimitBroken, ...]
    limits_source: str
    note: str = CONFIRM


@dataclass(frozen=True)
class GradeSheet:
    """An analysis beside every limit; `found` None: no grade can be told, for the `reason`."""

    lines: tuple[ElementLine, ...]
    found: LotGrade | None
    reason: str = ""
    note: str = CONFIRM


def grade_sheet(analysis: ImpurityAnalysis) -> GradeSheet:
    """The grade an analysis reaches with each limit beside its figure."""
    lines = limits_beside(contents_of(analysis))
    try:
        return GradeSheet(lines, grade_of(analysis))
    except RefusalError as refusal:
        return GradeSheet(lines, None, refusal.message)


def contents_of(analysis: ImpurityAnalysis) -> dict[str, Decimal]:
    """Parts per thousand by element."""
    return {element: Decimal(text) for element, text in analysis.contents_ppt.items()}


def latest_analysis(lot: Lot) -> ImpurityAnalysis | None:
    """The analysis reported last, if any."""
    return lot.impurity_analyses.select_related("laboratory").first()


def grade_of(analysis: ImpurityAnalysis) -> LotGrade:
    """The grade one analysis reaches. Raises InvalidError `silver_not_measured`."""
    contents = contents_of(analysis)
    finding = grade_by_analysis(contents)
    grade = finding.grade
    return LotGrade(
        lot=analysis.lot.code,
        analysis=analysis.pk,
        laboratory=analysis.laboratory.code,
        certificate=analysis.certificate,
        reported_at=analysis.reported_at,
        contents_ppt=contents,
        grade=grade.name if grade else None,
        uns=grade.uns if grade else "",
        unmeasured=finding.unmeasured,
        broken=finding.broken,
        limits_source=grade.limits_source if grade else "",
    )
