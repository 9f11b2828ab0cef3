"""Whether a bar keeps the London Good Delivery limits of weight and fineness, and if not, why.

Only the figures are judged here: shape, marks, appearance and the refiner's listing are not.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal

from config.refusals import refuse
from lots.bars import GROSS_RULES, bar_weight_ozt, fine_weight
from lots.fineness import parse_fineness

Severity = Literal["outside", "advice"]

# As summarised by Triland Metals ("Precious metals") and in the specification of the London good
# delivery bar: gold by its fine content, silver by its gross weight.
GOLD_FINE_OZT: Final = (Decimal(350), Decimal(430))
GOLD_ASSAY_MIN_PPT: Final = Decimal("995.0")
SILVER_RECOMMENDED_OZT: Final = (Decimal(750), Decimal(1100))
SILVER_ACCEPTED_OZT: Final = (Decimal(500), Decimal(1250))
SILVER_ASSAY_MIN_PPT: Final = Decimal("999.0")


@dataclass(frozen=True)
class BarFinding:
    """One limit that a bar does not keep: "outside" bars it, "advice" leaves it acceptable."""

    code: str
    severity: Severity
    measured: Decimal
    limit: Decimal
    message: str


@dataclass(frozen=True)
class GoodDeliveryCheck:
    """What was found; `is_within` is true when no finding puts the bar outside the limits."""

    metal: str
    gross_ozt: Decimal
    assay_ppt: Decimal
    findings: tuple[BarFinding, ...]

    @property
    def is_within(self) -> bool:
        return all(finding.severity != "outside" for finding in self.findings)


def check_good_delivery(metal: str, gross_ozt: Decimal, assay_ppt: Decimal) -> GoodDeliveryCheck:
    """The bar's gross troy ounces and assay in parts per thousand against the London limits.

    Raises InvalidError `no_bar_rule` for a metal other than Au and Ag, or as `bar_weight_ozt` and
    `parse_fineness` do.
    """
    assay_ppt = parse_fineness(assay_ppt, field="assay")
    if metal not in GROSS_RULES:
        raise refuse("no_bar_rule:good_delivery", field="metal", value=metal)
    gross_ozt = bar_weight_ozt(gross_ozt)
    findings = []
    step_ozt = GROSS_RULES[metal].step
    if gross_ozt % step_ozt:
        message = f"The gross weight is not a multiple of {step_ozt} ozt."
        findings.append(BarFinding("gross_not_in_steps", "outside", gross_ozt, step_ozt, message))
    minimum_ppt = GOLD_ASSAY_MIN_PPT if metal == "Au" else SILVER_ASSAY_MIN_PPT
    if assay_ppt < minimum_ppt:
        message = f"The fineness is below {minimum_ppt} parts per thousand."
        findings.append(BarFinding("assay_below", "outside", assay_ppt, minimum_ppt, message))
    if metal == "Au":
        fine_ozt = fine_weight("Au", gross_ozt, assay_ppt).fine_ozt
        findings += _outside("fine_weight", "outside", fine_ozt, GOLD_FINE_OZT)
    else:
        refused = _outside("gross_weight", "outside", gross_ozt, SILVER_ACCEPTED_OZT)
        findings += refused or _outside("gross_weight", "advice", gross_ozt, SILVER_RECOMMENDED_OZT)
    return GoodDeliveryCheck(metal, gross_ozt, assay_ppt, tuple(findings))


def _outside(
    what: str, severity: Severity, measured_ozt: Decimal, limits_ozt: tuple[Decimal, Decimal]
) -> list[BarFinding]:
    low, high = limits_ozt
    name = what.replace("_", " ")
    wanted = "recommended" if severity == "advice" else "accepted"
    if measured_ozt < low:
        message = f"The {name} is below the {wanted} {low} ozt."
        return [BarFinding(f"{what}_below", severity, measured_ozt, low, message)]
    if measured_ozt > high:
        message = f"The {name} is above the {wanted} {high} ozt."
        return [BarFinding(f"{what}_above", severity, measured_ozt, high, message)]
    return []
