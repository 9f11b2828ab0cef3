"""Which grade of refined silver an analysis reaches, and what the analysis did not look at.

Grades: ASTM B413. The minimum fineness of each grade is as published; the limits for impurities are
from memory and must be confirmed against the standard before a certificate rests on them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType
from typing import Final, Literal

from config.refusals import refuse
from lots.fineness import check_contents, parse_fineness

Verdict = Literal["kept", "broken", "not measured", "no limit"]

SILVER: Final = "Ag"
SILVER_AND_COPPER: Final = "Ag+Cu"
ELEMENT_NAMES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "Ag": "Silver",
        "Cu": "Copper",
        "Bi": "Bismuth",
        "Fe": "Iron",
        "Pb": "Lead",
        "Pd": "Palladium",
        "Se": "Selenium",
        "Te": "Tellurium",
    }
)
ANALYSED: Final = tuple(ELEMENT_NAMES)


@dataclass(frozen=True)
class SilverGrade:
    """A grade of refined silver; all limits in parts per thousand by mass."""

    name: str
    uns: str
    fineness_min_ppt: Decimal
    maxima_ppt: Mapping[str, Decimal]
    silver_and_copper_min_ppt: Decimal | None
    fineness_source: str
    limits_source: str


@dataclass(frozen=True)
class LimitBroken:
    """One limit of one grade that the analysis breaks, in parts per thousand."""

    grade: str
    element: str
    measured_ppt: Decimal
    limit_ppt: Decimal


@dataclass(frozen=True)
class GradeFinding:
    """The best grade not contradicted by the analysis.

    `unmeasured` names the elements that this grade limits and the analysis left out: the grade is
    only as good as they are. `broken` tells why each better grade is out of reach.
    """

    grade: SilverGrade | None
    unmeasured: tuple[str, ...]
    broken: tuple[LimitBroken, ...]


@dataclass(frozen=True)
class LimitBeside:
    """One grade's limit of one element, in parts per thousand, and how the analysis stands."""

    grade: str
    limit_ppt: Decimal | None
    verdict: Verdict


@dataclass(frozen=True)
class ElementLine:
    """One element's result beside every grade's limit of it; `is_least`: the limit is a minimum."""

    element: str
    measured_ppt: Decimal | None
    is_least: bool
    limits: tuple[LimitBeside, ...]


def _grade(
    name: str, uns: str, fineness_min_ppt: str, maxima_ppt: dict[str, str], ag_cu_min: str | None
) -> SilverGrade:
    return SilverGrade(
        name=name,
        uns=uns,
        fineness_min_ppt=Decimal(fineness_min_ppt),
        maxima_ppt=MappingProxyType({e: Decimal(limit) for e, limit in maxima_ppt.items()}),
        silver_and_copper_min_ppt=None if ag_cu_min is None else Decimal(ag_cu_min),
        fineness_source="ASTM B413-97a (reapproved 2017, 2021), section 1.1",
        limits_source="ASTM B413, Table 1, from memory: confirm against the standard",
    )


# Best first.
ASTM_B413: Final[tuple[SilverGrade, ...]] = (
    _grade(
        "99.99",
        "P07010",
        "999.9",
        {
            "Cu": "0.10",
            "Pb": "0.010",
            "Fe": "0.010",
            "Bi": "0.005",
            "Pd": "0.010",
            "Se": "0.005",
            "Te": "0.005",
        },
        None,
    ),
    _grade(
        "99.95", "P07015", "999.5", {"Cu": "0.4", "Pb": "0.15", "Fe": "0.02", "Bi": "0.01"}, None
    ),
    _grade(
        "99.90",
        "P07020",
        "999.0",
        {"Cu": "0.8", "Pb": "0.25", "Fe": "0.02", "Bi": "0.01"},
        "999.5",
    ),
)


def silver_grade(
    fineness_ppt: Decimal, grades: Sequence[SilverGrade] = ASTM_B413
) -> SilverGrade | None:
    """The best grade whose minimum the fineness reaches, or None; `grades` are listed best first.

    The figure is compared as it stands: rounding it up to the limit first is for the parties to
    agree (ASTM E29 describes both ways; from memory). Raises InvalidError as `parse_fineness` does.
    """
    fineness_ppt = parse_fineness(fineness_ppt)
    return next((grade for grade in grades if fineness_ppt >= grade.fineness_min_ppt), None)


def grade_by_analysis(
    analysis_ppt: Mapping[str, object], grades: Sequence[SilverGrade] = ASTM_B413
) -> GradeFinding:
    """The best grade that no measured element contradicts, with the elements not measured.

    `analysis_ppt` gives parts per thousand per element and must contain silver. Raises InvalidError
    `silver_not_measured`, or as `check_contents` does, on the field `analysis`.
    """
    contents = check_contents(analysis_ppt, field="analysis", allowed=ANALYSED)
    if SILVER not in contents:
        raise refuse("silver_not_measured", field=f"analysis.{SILVER}")
    broken: list[LimitBroken] = []
    for grade in grades:
        faults = _limits_broken(grade, contents)
        if not faults:
            unmeasured = tuple(e for e in grade.maxima_ppt if e not in contents)
            return GradeFinding(grade, unmeasured, tuple(broken))
        broken += faults
    return GradeFinding(None, (), tuple(broken))


def _limits_broken(grade: SilverGrade, contents: Mapping[str, Decimal]) -> list[LimitBroken]:
    silver = contents[SILVER]
    faults = []
    if silver < grade.fineness_min_ppt:
        faults.append(LimitBroken(grade.name, SILVER, silver, grade.fineness_min_ppt))
    faults += [
        LimitBroken(grade.name, element, contents[element], limit)
        for element, limit in grade.maxima_ppt.items()
        if element in contents and contents[element] > limit
    ]
    minimum = grade.silver_and_copper_min_ppt
    if minimum is not None and "Cu" in contents and silver + contents["Cu"] < minimum:
        faults.append(LimitBroken(grade.name, SILVER_AND_COPPER, silver + contents["Cu"], minimum))
    return faults


def limits_beside(
    analysis_ppt: Mapping[str, Decimal], grades: Sequence[SilverGrade] = ASTM_B413
) -> tuple[ElementLine, ...]:
    """Every limit of every grade beside what was found: silver first, then impurities."""
    silver, copper = analysis_ppt.get(SILVER), analysis_ppt.get("Cu")
    both = None if silver is None or copper is None else silver + copper
    least: dict[str, tuple[Decimal | None, list[Decimal | None]]] = {
        SILVER: (silver, [grade.fineness_min_ppt for grade in grades]),
        SILVER_AND_COPPER: (both, [grade.silver_and_copper_min_ppt for grade in grades]),
    }
    lines = [
        _line(name, measured, limits, grades, is_least=True)
        for name, (measured, limits) in least.items()
        if any(limits)
    ]
    limited = dict.fromkeys(element for grade in grades for element in grade.maxima_ppt)
    impurities = dict.fromkeys([*limited, *(each for each in analysis_ppt if each != SILVER)])
    lines += [
        _line(
            element,
            analysis_ppt.get(element),
            [grade.maxima_ppt.get(element) for grade in grades],
            grades,
            is_least=False,
        )
        for element in impurities
    ]
    return tuple(lines)


def _line(
    element: str,
    measured: Decimal | None,
    limits: Sequence[Decimal | None],
    grades: Sequence[SilverGrade],
    *,
    is_least: bool,
) -> ElementLine:
    beside = [
        LimitBeside(grade.name, limit, _verdict(measured, limit, is_least))
        for grade, limit in zip(grades, limits, strict=True)
    ]
    return ElementLine(element, measured, is_least, tuple(beside))


def _verdict(measured: Decimal | None, limit: Decimal | None, is_least: bool) -> Verdict:
    if limit is None:
        return "no limit"
    if measured is None:
        return "not measured"
    is_kept = measured >= limit if is_least else measured <= limit
    return "kept" if is_kept else "broken"
