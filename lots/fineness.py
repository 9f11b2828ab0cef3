"""How fine: parts of a metal in a thousand parts of material, by mass.

Contents that cannot be are refused; masses, marks and grades follow from those that can.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal, localcontext
from types import MappingProxyType
from typing import Final

from config.refusals import refuse
from lots.elements import METALS
from lots.units import parse_decimal

WHOLE_PPT: Final = Decimal(1000)
PPT_PER_UNIT: Final[Mapping[str, Decimal]] = MappingProxyType(
    {
        "ppt": Decimal(1),
        "percent": Decimal(10),
        "ppm": Decimal("0.001"),
        "g/t": Decimal("0.001"),
    }
)
FINENESS_DECIMALS: Final = 4

_EXACT: Final = Context(prec=60, rounding=ROUND_HALF_EVEN)


def check_contents(
    fineness: Mapping[str, object],
    *,
    field: str = "fineness",
    allowed: Collection[str] = METALS,
) -> dict[str, Decimal]:
    """The contents of one material in parts per thousand, each and together within 0 to 1000.

    Values are Decimals, ints or text, keyed by element. Raises InvalidError naming
    `<field>.<element>`: `unknown_metal`, `not_a_number`, `too_many_digits` or
    `fineness_out_of_range`; and naming `field`: `fineness_sum_above_1000`.
    """
    contents: dict[str, Decimal] = {}
    for metal, value in fineness.items():
        if metal not in allowed:
            raise refuse(
                "unknown_metal:fineness",
                field=f"{field}.{metal}",
                value=metal,
                allowed=", ".join(allowed),
            )
        contents[metal] = parse_fineness(value, field=f"{field}.{metal}")
    total = sum(contents.values(), Decimal(0))
    if total > WHOLE_PPT:
        raise refuse("fineness_sum_above_1000", field=field, value=total)
    return contents


def parse_fineness(value: object, unit: str = "ppt", *, field: str = "fineness") -> Decimal:
    """Parts per thousand, exactly, of `value` in "ppt", "percent", "ppm" or "g/t".

    Raises InvalidError `not_a_number`, `too_many_digits`, `unknown_unit` or `fineness_out_of_range`
    (below 0 or above 1000 parts per thousand).
    """
    if unit not in PPT_PER_UNIT:
        raise refuse(
            "unknown_unit:fineness",
            field=f"{field}.unit",
            value=unit,
            ppt_per_unit=", ".join(PPT_PER_UNIT),
        )
    number = parse_decimal(value, field=field)
    with localcontext(_EXACT):
        fineness_ppt = number * PPT_PER_UNIT[unit]
    if not 0 <= fineness_ppt <= WHOLE_PPT:
        raise refuse("fineness_out_of_range", field=field, value=value)
    return fineness_ppt


def fineness_in(fineness_ppt: Decimal, unit: str) -> Decimal:
    """`fineness_ppt` in "ppt", "percent", "ppm" or "g/t", exactly."""
    with localcontext(_EXACT):
        return fineness_ppt / PPT_PER_UNIT[unit]


def content_ug(mass_ug: int, fineness_ppt: Decimal) -> int:
    """Micrograms of metal in `mass_ug` of material, rounded half-even to the microgram."""
    with localcontext(_EXACT):
        return int((mass_ug * fineness_ppt / WHOLE_PPT).to_integral_value(ROUND_HALF_EVEN))


def fineness_of(
    metal_ug: int, mass_ug: int, *, decimals: int = FINENESS_DECIMALS, field: str = "fineness"
) -> Decimal:
    """Parts per thousand of `metal_ug` in `mass_ug`, rounded half-even to `decimals`.

    Raises InvalidError `not_positive` when there is no material and `fineness_out_of_range` when
    the metal is less than nothing or more than the material.
    """
    if mass_ug <= 0:
        raise refuse("not_positive:fineness", field=field, value=mass_ug)
    if not 0 <= metal_ug <= mass_ug:
        raise refuse("fineness_out_of_range:fineness", field=field, value=metal_ug)
    with localcontext(_EXACT):
        exact = metal_ug * WHOLE_PPT / mass_ug
        return exact.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)


@dataclass(frozen=True)
class MarkList:
    """The fineness marks in use somewhere: whole parts per thousand per metal, and whose list."""

    name: str
    source: str
    marks: Mapping[str, tuple[int, ...]]


@dataclass(frozen=True)
class FinenessMark:
    """The mark an alloy may bear; `mark` is None when it is below the lowest in the list."""

    metal: str
    fineness_ppt: Decimal
    mark: int | None
    marks_name: str


FINLAND: Final = MarkList(
    name="Finland",
    source=(
        "Hallmarking Convention, country profile of Finland; minimum finenesses and the rule of "
        "marking down: Finnish Safety and Chemicals Agency (Tukes), Fineness requirements"
    ),
    marks=MappingProxyType(
        {
            "Au": (375, 585, 750, 916, 999),
            "Ag": (800, 830, 925, 999),
            "Pt": (850, 900, 950, 999),
            "Pd": (500, 850, 950, 999),
        }
    ),
)
ISO_9202: Final = MarkList(
    name="ISO 9202",
    source="ISO 9202, from memory: confirm against the standard",
    marks=MappingProxyType(
        {
            "Au": (375, 585, 750, 916, 999),
            "Ag": (800, 925, 999),
            "Pt": (850, 900, 950, 999),
            "Pd": (500, 950, 999),
        }
    ),
)


def mark_for(metal: str, fineness_ppt: Decimal, marks: MarkList = FINLAND) -> FinenessMark:
    """The highest mark that the fineness reaches: always marked down, without any tolerance.

    Which marks exist is a matter of the law of the place of sale, so the list is an argument.
    Raises InvalidError `no_marks_for_metal`, or as `parse_fineness` does.
    """
    fineness_ppt = parse_fineness(fineness_ppt)
    if metal not in marks.marks:
        raise refuse(
            "no_marks_for_metal",
            field="metal",
            value=metal,
            marks=marks.name,
            marks_2=", ".join(marks.marks),
        )
    reached = [mark for mark in marks.marks[metal] if mark <= fineness_ppt]
    return FinenessMark(metal, fineness_ppt, max(reached, default=None), marks.name)
