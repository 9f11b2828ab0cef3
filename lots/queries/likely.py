"""Figures as typed, beside the ranges they are held against: what every app's events share."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from config.refusals import RefusalError
from lots import clock
from lots.likelihood.figures import Held, HeldMoment, Range
from lots.queries.works_zone import works_zone
from lots.units import UG_PER_UNIT, ug_to_g
from lots.written import read_mass

if TYPE_CHECKING:
    from lots.measurements.assays import Finding
    from lots.measurements.weighings import Weight

GRAM: Final = "g"
UL_PER_ML: Final = 1000
ML_PER_L: Final = 1000
# What a mass is mistaken in: the units that stand on scales and in books.
_MASS_UNITS: Final = ("g", "kg", "ozt", "dwt", "mg", "ozav")


def mass_held(path: str, mass_ug: int, range_g: Range, typed: str = "") -> Held:
    """A mass in the unit it was typed in, or in grams."""
    value, unit = _as_typed(mass_ug, typed)
    size = UG_PER_UNIT[unit]
    others = tuple((each, UG_PER_UNIT[each] / size) for each in _MASS_UNITS if each != unit)
    return Held(path, value, unit, range_g.times(UG_PER_UNIT[GRAM] / size), others, True)


def _as_typed(mass_ug: int, typed: str) -> tuple[Decimal, str]:
    try:
        written = read_mass(typed)
    except RefusalError:
        return ug_to_g(mass_ug), GRAM
    return (written.value, written.unit) if written.mass_ug == mass_ug else (ug_to_g(mass_ug), GRAM)


def weight_held(weight: Weight, net_g: Range, field: str = "weight") -> Iterator[Held]:
    """A weighing whose net is held against a range: the gross, and the tare if there is one."""
    gross_g, tare_g = ug_to_g(weight.gross_ug), ug_to_g(weight.tare_ug)
    yield mass_held(f"{field}.gross", weight.gross_ug, net_g.plus(tare_g), weight.entered_as)
    if weight.tare_ug:
        low, high = (None if end is None else gross_g - end for end in (net_g.high, net_g.low))
        yield mass_held(f"{field}.tare", weight.tare_ug, Range(low, high, net_g.why))


def volume_held(path: str, volume_ul: int, range_ml: Range) -> Held:
    """A volume in litres, or below one in millilitres."""
    value_ml = Decimal(volume_ul) / UL_PER_ML
    if value_ml < ML_PER_L:
        return Held(path, value_ml, "ml", range_ml, (("l", Decimal(ML_PER_L)),), True)
    per_ml = Decimal(1) / ML_PER_L
    return Held(path, value_ml * per_ml, "l", range_ml.times(per_ml), (("ml", per_ml),), True)


def findings_held(
    field: str, findings: Mapping[str, Finding], ranges: Mapping[str, Range], unit: str
) -> Iterator[Held]:
    """A laboratory's results, by metal; an uncertainty is no larger than what it is of."""
    for metal, finding in findings.items():
        if metal in ranges:
            yield Held(f"{field}.{metal}", finding.value, unit, ranges[metal])


def moment_held(moment: dt.datetime, low: dt.datetime | None, why: str) -> Iterator[HeldMoment]:
    """When it happened: not before its neighbour at `low`, and not still to come."""
    if low is not None:
        high = max(clock.now(), moment)
        yield HeldMoment("occurred_at", moment, low, high, why, works_zone())
