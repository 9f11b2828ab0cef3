"""Cells are added and edited, each edit on the version its editor saw."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Final

from django.db.models import DecimalField

from cells.models import UNFINISHED, Cell, CellRun
from config.refusals import InvalidError, refuse
from lots.ledger.recording import Act, recorded_once
from lots.models import Place
from lots.services.reference import check_label
from lots.units import MASS_UG_MAX, VOLUME_UL_MAX, parse_decimal

NAME_MAX: Final = 80

# What must be above zero, and the most that its column holds.
_ABOVE_ZERO: Final[dict[str, int]] = {
    "bath_volume_ul": VOLUME_UL_MAX,
    "copper_limit_g_per_l": 10**5 - 1,
    "palladium_limit_g_per_l": 10**5 - 1,
    "current_limit_a": 10**5 - 1,
    "fuse_rating_a": 10**5 - 1,
    "lead_rating_a": 10**5 - 1,
    "cathode_cm2": 10**7 - 1,
    "clearance_mm": 10**5 - 1,
    "basket_ug_max": MASS_UG_MAX,
}
_NOT_BELOW_ZERO: Final[dict[str, int]] = {
    "silver_min_g_per_l": 10**5 - 1,
    "evaporation_ml_per_h": 10**5 - 1,
    "ammeter_gain_u": 9,
    "ammeter_reading_u_a": 10**4 - 1,
    "ammeter_zero_u_a": 10**4 - 1,
}


@dataclass(frozen=True)
class CellDetails:
    """Volume in microlitres, basket in micrograms; the other units are in the names."""

    code: str
    name: str
    place: Place
    bath_volume_ul: int
    current_limit_a: Decimal
    fuse_rating_a: Decimal
    copper_limit_g_per_l: Decimal = Decimal(60)
    silver_min_g_per_l: Decimal = Decimal(30)
    palladium_limit_g_per_l: Decimal = Decimal("0.5")
    lead_rating_a: Decimal | None = None
    cathode_cm2: Decimal | None = None
    clearance_mm: Decimal | None = None
    evaporation_ml_per_h: Decimal = Decimal(0)
    basket_ug_max: int | None = None
    ammeter_gain_u: Decimal = Decimal("0.01")
    ammeter_reading_u_a: Decimal = Decimal(0)
    ammeter_zero_u_a: Decimal = Decimal(0)
    ammeter_calibration_due: dt.date | None = None
    is_active: bool = True


@recorded_once
def create_cell(*, details: CellDetails, act: Act) -> Cell:
    """Adds a cell.

    Raises InvalidError `bad_code`, `empty`, `too_long`, `not_text`, `not_a_number`,
    `too_many_digits`, `not_positive`, `below_zero`, `too_large`, `not_a_cell_place`,
    `fuse_above_leads`; ConflictError `duplicate_code`, `place_not_in_use`.
    """
    _check(details, None)
    return Cell.objects.create(**_values(details))


@recorded_once
def edit_cell(*, cell: Cell, version: int, details: CellDetails, act: Act) -> Cell:
    """Changes a cell as seen at `version`.

    Raises as `create_cell`, and ConflictError `version_conflict`, and `cell_in_use` when it is to
    go out of use or move while a run is unfinished in it.
    """
    cell.refresh_from_db()
    if cell.version != version:
        raise refuse("version_conflict", field="version", value=version)
    _check(details, cell)
    values = _values(details)
    for name, value in values.items():
        setattr(cell, name, value)
    cell.version += 1
    cell.save(update_fields=[*values, "version"])
    return cell


def _values(details: CellDetails) -> dict[str, object]:
    values = {each.name: getattr(details, each.name) for each in fields(details)}
    return values | {"code": details.code.strip(), "name": details.name.strip()}


def _check(details: CellDetails, cell: Cell | None) -> None:
    check_label(Cell, details, cell, name_max=NAME_MAX)
    _check_digits(details)
    for name, most in _ABOVE_ZERO.items():
        value = getattr(details, name)
        if value is not None and not 0 < value <= most:
            raise _out_of_range(name, value, "not_positive" if value <= 0 else "too_large")
    for name, most in _NOT_BELOW_ZERO.items():
        value = getattr(details, name)
        if not 0 <= value <= most:
            raise _out_of_range(name, value, "below_zero" if value < 0 else "too_large")
    if details.lead_rating_a is not None and details.fuse_rating_a > details.lead_rating_a:
        raise refuse("fuse_above_leads", field="fuse_rating_a", value=details.fuse_rating_a)
    _check_place(details, cell)
    if cell is not None and (cell.is_active > details.is_active or cell.place != details.place):
        run = CellRun.objects.filter(cell=cell, state__in=UNFINISHED).first()
        if run is not None:
            raise refuse(
                "cell_in_use", field="place" if details.is_active else "is_active", value=run.code
            )


def _check_digits(details: CellDetails) -> None:
    """Refuses what is no plain number, or finer than its column keeps."""
    for each in fields(details):
        value = getattr(details, each.name)
        if isinstance(value, Decimal):
            column = Cell._meta.get_field(each.name)
            assert isinstance(column, DecimalField)
            parse_decimal(value, field=each.name, decimals_max=column.decimal_places)


def _check_place(details: CellDetails, cell: Cell | None) -> None:
    if details.place.area != Place.Area.CELL:
        raise refuse(
            "not_a_cell_place", field="place", value=details.place.code, place=details.place
        )
    if not details.place.is_active and (cell is None or cell.place != details.place):
        raise refuse(
            "place_not_in_use", field="place", value=details.place.code, place=details.place
        )


def _out_of_range(name: str, value: object, code: str) -> InvalidError:
    return InvalidError(
        "This is not a figure that a cell has.",
        code=code,
        field=name,
        value=value,
        remedy="Check the figure and its unit.",
    )
